//! Conduction on a grid of linked cells: explicit steps, and many of them at once.

use super::Foil;

/// Part of an array that is not at rest: cells `lo..=hi` in x and y, counted from 1.
pub(super) type Window = [[usize; 2]; 2];

/// Scratch of [`Links::advance`], each as long as the field.
pub(super) type Scratch = [Vec<f32>; 3];

/// Longest stable explicit step, s: h2 / (4 alpha) on square cells.
pub(super) fn stable_s(cell_mm: [f64; 2], foil: &Foil) -> f64 {
    let part = |mm: f64| 1.0 / (mm * mm * 1e-6);
    0.5 / (foil.alpha_m2_s * (part(cell_mm[0]) + part(cell_mm[1])))
}

/// Stages for a time of `steps` stable explicit steps: s stages reach (s2 + s) / 2.
pub(super) fn stages(steps: f64) -> usize {
    (((1.0 + 8.0 * steps).sqrt() - 1.0) / 2.0 - 1e-9)
        .ceil()
        .max(1.0) as usize
}

/// The links between cells: `gx[k]` joins cell k to its right neighbour, `gy[k]` to the one above: the share
/// of their difference that is exchanged in one unit step.
#[derive(Clone, Copy)]
pub(super) struct Links<'a> {
    pub gx: &'a [f32],
    pub gy: &'a [f32],
    /// Cells in a row of the arrays, ghost cells included.
    pub stride: usize,
}

impl Links<'_> {
    /// What [`gain`] needs for the cells `k..k + n`.
    fn row<'a>(&'a self, t: &'a [f32], k: usize, n: usize) -> Row<'a> {
        let w = self.stride;
        let at = |v: &'a [f32], k: usize| &v[k..k + n];
        Row {
            here: at(t, k),
            beside: [at(t, k - 1), at(t, k + 1), at(t, k - w), at(t, k + w)],
            links: [
                at(self.gx, k - 1),
                at(self.gx, k),
                at(self.gy, k - w),
                at(self.gy, k),
            ],
        }
    }
    /// `units` unit steps at once (at most the stable one) from `t` to `out`.
    pub fn explicit(&self, t: &[f32], out: &mut [f32], window: Window, units: f32) {
        let [[x0, x1], [y0, y1]] = window;
        let n = x1 + 1 - x0;
        for j in y0..=y1 {
            let k = j * self.stride + x0;
            let Row {
                here,
                beside,
                links,
            } = self.row(t, k, n);
            step_row(&mut out[k..k + n], here, beside, links, units);
        }
    }
    /// Lets `t` conduct within a window over `units` unit steps in `count` [`stages`]: an explicit step, or
    /// super time stepping of first order. `ghosts` fills the border beside a row, and below the first or above
    /// the last.
    ///
    /// RKL1: Meyer, Balsara & Aslam, J. Comput. Phys. 257, 594, 2014 (coefficients from memory; tested against
    /// explicit steps). The second-order scheme of that paper halves the finest ripples only once a step and
    /// swings below zero beside a fresh cut, which is where orders look.
    pub fn advance(
        &self,
        t: &mut [f32],
        scratch: &mut Scratch,
        window: Window,
        (units, count): (f64, usize),
        ghosts: impl Fn(&mut [f32], usize),
    ) {
        let [[x0, x1], [y0, y1]] = window;
        let n = x1 + 1 - x0;
        let row = |j: usize| j * self.stride + x0..j * self.stride + x0 + n;
        let s = count as f64;
        let w1 = 2.0 / (s * s + s) * units;
        let [even, odd, first_gain] = scratch;
        // The ring around the window is read too: it is at rest, or made of ghosts.
        for j in y0 - 1..=y1 + 1 {
            for field in [&mut *even, &mut *odd] {
                field[row(j).start - 1..=row(j).end].fill(0.0);
            }
        }
        for j in y0..=y1 {
            ghosts(t, j);
        }
        // The change since the start is stepped, which keeps constants and sums exact; being linear, its gain
        // adds to that of the start. Each stage follows one row behind the one before, so that the rows at
        // work stay in the cache; a stage overwrites the one before the last.
        for step in y0 + 1..=y1 + count {
            for stage in step.saturating_sub(y1).max(1)..=(step - y0).min(count) {
                let j = step - stage;
                let (out, last) = if stage % 2 == 0 {
                    (&mut *even, &*odd)
                } else {
                    (&mut *odd, &*even)
                };
                let first_gain = &mut first_gain[row(j)];
                if stage == 1 {
                    let Row {
                        here,
                        beside,
                        links,
                    } = self.row(t, row(j).start, n);
                    gain_row(first_gain, here, beside, links);
                    let m = w1 as f32;
                    for (out, gain) in out[row(j)].iter_mut().zip(first_gain) {
                        *out = m * *gain;
                    }
                } else {
                    let x = stage as f64;
                    let mu = (2.0 * x - 1.0) / x;
                    let (mu, nu, m) = (mu as f32, (1.0 - mu) as f32, (mu * w1) as f32);
                    let Row {
                        here,
                        beside,
                        links,
                    } = self.row(last, row(j).start, n);
                    let out = &mut out[row(j)];
                    stage_row(out, here, beside, links, first_gain, [mu, nu, m]);
                }
                ghosts(out, j);
            }
        }
        let change = if count % 2 == 0 { even } else { odd };
        for j in y0..=y1 {
            for (t, change) in t[row(j)].iter_mut().zip(&change[row(j)]) {
                *t += change;
            }
        }
    }
}

struct Row<'a> {
    here: &'a [f32],
    /// Left, right, below, above.
    beside: [&'a [f32]; 4],
    links: [&'a [f32]; 4],
}

// Each kernel is a function of its own, so that the compiler knows its slices apart and uses vectors.

/// Net gain in a unit step. Both cells of a link see the same exchange, so heat is kept.
#[inline(always)]
fn gain(i: usize, c: &[f32], [l, r, d, u]: [&[f32]; 4], [gl, gr, gd, gu]: [&[f32]; 4]) -> f32 {
    (gr[i] * (r[i] - c[i]) - gl[i] * (c[i] - l[i]))
        + (gu[i] * (u[i] - c[i]) - gd[i] * (c[i] - d[i]))
}

#[inline(never)]
fn gain_row(out: &mut [f32], here: &[f32], beside: [&[f32]; 4], links: [&[f32]; 4]) {
    let n = out.len();
    let (here, beside, links) = (&here[..n], beside.map(|s| &s[..n]), links.map(|s| &s[..n]));
    for (i, out) in out.iter_mut().enumerate() {
        *out = gain(i, here, beside, links);
    }
}

#[inline(never)]
fn step_row(out: &mut [f32], here: &[f32], beside: [&[f32]; 4], links: [&[f32]; 4], units: f32) {
    let n = out.len();
    let (here, beside, links) = (&here[..n], beside.map(|s| &s[..n]), links.map(|s| &s[..n]));
    for i in 0..n {
        out[i] = here[i] + units * gain(i, here, beside, links);
    }
}

#[inline(never)]
fn stage_row(
    out: &mut [f32],
    here: &[f32],
    beside: [&[f32]; 4],
    links: [&[f32]; 4],
    first_gain: &[f32],
    [mu, nu, m]: [f32; 3],
) {
    let n = out.len();
    let (here, beside, links) = (&here[..n], beside.map(|s| &s[..n]), links.map(|s| &s[..n]));
    let first_gain = &first_gain[..n];
    for i in 0..n {
        let gain = gain(i, here, beside, links) + first_gain[i];
        out[i] = mu * here[i] + nu * out[i] + m * gain;
    }
}
