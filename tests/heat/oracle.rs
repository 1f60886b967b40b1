//! An implicit solver of its own as oracle: backward Euler on the same physics, its linear systems solved by
//! the general-purpose sparse library `sprs` (LDL). It finds severed links by testing every link against every
//! stretch of cut.

use super::masks::{self, Mask};
use foilwright::heat::{SimOptions, simulate};
use foilwright::motion::Motion;
use sprs::{CsMat, TriMat};
use sprs_ldl::Ldl;

const N: usize = 40;
const DX_MM: f64 = 0.1;
const DT_S: f64 = 2e-4;

fn crosses(a: [f64; 2], b: [f64; 2], p: [f64; 2], q: [f64; 2]) -> bool {
    let side = |u: [f64; 2], v: [f64; 2], w: [f64; 2]| {
        (v[0] - u[0]) * (w[1] - u[1]) - (v[1] - u[1]) * (w[0] - u[0]) > 0.0
    };
    side(a, b, p) != side(a, b, q) && side(p, q, a) != side(p, q, b)
}

/// Peak settled rise by the oracle, K.
fn oracle(motion: &Motion, passes: u32, kerf_mm: f64) -> f64 {
    // 1008 steel, 25 um, 500 W/m2K, as in the closed forms.
    let (kh, capacity, loss) = (65.2 * 25e-6, 7872.0 * 481.0 * 25e-6, 500.0);
    let cell_m2 = (DX_MM * 1e-3_f64).powi(2);
    let centre = |k: usize| {
        [
            (k % N) as f64 * DX_MM + DX_MM / 2.0,
            (k / N) as f64 * DX_MM + DX_MM / 2.0,
        ]
    };
    let mut links: Vec<(usize, usize, f64)> = vec![];
    for k in 0..N * N {
        if k % N + 1 < N {
            links.push((k, k + 1, 1.0));
        }
        if k / N + 1 < N {
            links.push((k, k + N, 1.0));
        }
    }
    let (mut t, mut near) = (vec![0.0f64; N * N], vec![-1.0f64; N * N]);
    let mut peak = 0.0f64;
    let steps = (motion.end_s / DT_S) as usize;
    let mut solver = None;
    for n in 0..steps {
        let (from, to) = (n as f64 * DT_S, (n + 1) as f64 * DT_S);
        let mut rhs: Vec<f64> = t.iter().map(|t| t * capacity * cell_m2 / DT_S).collect();
        let mut changed = solver.is_none();
        for burn in motion
            .burns
            .iter()
            .filter(|b| b.start_s < to && b.end_s() > from)
        {
            let place = |time: f64| {
                let mut left =
                    (time.clamp(burn.start_s, burn.end_s()) - burn.start_s) * burn.speed_mm_s;
                for w in burn.points.windows(2) {
                    let d = (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]);
                    if left <= d {
                        let f = left / d;
                        return [
                            w[0][0] + f * (w[1][0] - w[0][0]),
                            w[0][1] + f * (w[1][1] - w[0][1]),
                        ];
                    }
                    left -= d;
                }
                *burn.points.last().unwrap()
            };
            let (start, end) = (from.max(burn.start_s), to.min(burn.end_s()));
            let parts = 8;
            for p in 0..parts {
                let at = |i: usize| place(start + (end - start) * i as f64 / parts as f64);
                let (a, b) = (at(p), at(p + 1));
                let left = 1.0 - f64::from(burn.pass) / f64::from(passes);
                let w = kerf_mm / DX_MM;
                let scale = if left <= 0.0 {
                    0.0
                } else {
                    1.0 / ((1.0 - w) + w / left)
                };
                for (k, m, g) in &mut links {
                    if crosses(a, b, centre(*k), centre(*m)) && scale < *g {
                        *g = scale;
                        changed = true;
                    }
                }
                let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
                let watt = 0.3 * burn.power_w * (end - start) / parts as f64 / DT_S;
                for k in 0..N * N {
                    let c = centre(k);
                    let weight = |i: usize| (1.0 - (c[i] - middle[i]).abs() / DX_MM).max(0.0);
                    rhs[k] += watt * weight(0) * weight(1);
                    if (c[0] - middle[0]).hypot(c[1] - middle[1]) <= 0.4 {
                        near[k] = to;
                    }
                }
            }
        }
        if changed {
            let mut triplets = TriMat::new((N * N, N * N));
            for k in 0..N * N {
                triplets.add_triplet(k, k, capacity * cell_m2 / DT_S + loss * cell_m2);
            }
            for (k, m, g) in links.iter().filter(|l| l.2 > 0.0) {
                for (i, j, sign) in [(*k, *k, 1.0), (*m, *m, 1.0), (*k, *m, -1.0), (*m, *k, -1.0)] {
                    triplets.add_triplet(i, j, sign * g * kh);
                }
            }
            let matrix: CsMat<f64> = triplets.to_csc();
            solver = Some(
                Ldl::default()
                    .check_symmetry(sprs::DontCheckSymmetry)
                    .numeric(matrix.view())
                    .unwrap(),
            );
        }
        t = solver.as_ref().unwrap().solve(&rhs);
        for k in 0..N * N {
            if to - near[k] >= 0.05 {
                peak = peak.max(t[k]);
            }
        }
    }
    peak
}

// Two squares side by side, two passes in rounds: webs, slugs and grooves that form as the job runs.
#[test]
fn an_implicit_solver_agrees_on_the_peak_settled_rise() {
    let mut recipe = super::check_recipe();
    recipe.passes.count = 2;
    let mask = Mask {
        name: "pair",
        sheet_mm: [0.0, 0.0, 4.0, 4.0],
        paths: vec![masks::square(0.6, 1.51, 1.0), masks::square(2.2, 1.51, 1.0)],
        recipe,
    };
    let mut motion = masks::motion(&mask, &masks::in_rounds(&mask, &[0, 1]));
    motion.end_s += 0.1;
    let want = oracle(&motion, 2, mask.recipe.kerf.width_um * 1e-3);
    let options = SimOptions {
        cell_um: Some(1e3 * DX_MM),
        slide: false,
        ..SimOptions::default()
    };
    let got = simulate(&motion, &mask.recipe, options).peak_settled_k;
    assert!(want > 10.0);
    assert!((got / want - 1.0).abs() < 0.02, "{got} K, oracle {want} K");
}
