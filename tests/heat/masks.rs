//! The masks that orders are compared on, as cut paths, and the orders they are compared with.

use foilwright::finding::Checked;
use foilwright::kerf::{CutKind, CutPath};
use foilwright::motion::Motion;
use foilwright::order::{self, Visit, cool};
use foilwright::recipe::Recipe;

pub struct Mask {
    pub name: &'static str,
    pub sheet_mm: [f64; 4],
    pub paths: Vec<CutPath>,
    pub recipe: Recipe,
}

pub fn closed(mut points: Vec<[f64; 2]>) -> CutPath {
    points.push(points[0]);
    CutPath {
        kind: CutKind::Opening,
        closed: true,
        points,
        opening: None,
        parent: None,
        run_in_mm: 0.0,
    }
}

pub fn square(x: f64, y: f64, side: f64) -> CutPath {
    closed(vec![
        [x, y],
        [x + side, y],
        [x + side, y + side],
        [x, y + side],
    ])
}

fn recipe(passes: u32, speed_mm_s: f64, bite_mm: f64) -> Recipe {
    let mut recipe = super::check_recipe();
    recipe.passes.count = passes;
    recipe.scan.cut_speed_mm_s = speed_mm_s;
    recipe.heat.bite_mm = bite_mm;
    recipe
}

/// 20 x 20 squares of 0.4 mm at a pitch of 0.8 mm, margin 2 mm; 4 passes.
pub fn mask_a() -> Mask {
    let paths = (0..400)
        .map(|n| {
            square(
                2.0 + 0.8 * f64::from(n % 20),
                2.0 + 0.8 * f64::from(n / 20),
                0.4,
            )
        })
        .collect();
    Mask {
        name: "A",
        sheet_mm: [0.0, 0.0, 19.6, 19.6],
        paths,
        recipe: recipe(4, 100.0, 2.0),
    }
}

/// `side` x `side` squares of 0.15 mm at a pitch of 0.3 mm, margin 2 mm; 4 passes.
pub fn dense_squares(side: u32) -> Mask {
    let paths = (0..side * side)
        .map(|n| {
            square(
                2.0 + 0.3 * f64::from(n % side),
                2.0 + 0.3 * f64::from(n / side),
                0.15,
            )
        })
        .collect();
    let width = 4.0 + 0.3 * f64::from(side);
    Mask {
        paths,
        sheet_mm: [0.0, 0.0, width, width],
        ..mask_a()
    }
}

/// Two interleaved combs of 40 fingers of 60 um; 12 passes at 0.5 m/s.
pub fn mask_b() -> Mask {
    let (w, h) = (13.8, 13.2);
    let mut comb = vec![];
    let (x0, y0) = (2.04, 2.04);
    let width = 39.0 * 0.24 + 0.06;
    comb.push([x0, y0]);
    comb.push([x0 + width, y0]);
    for f in (0..40).rev() {
        let x = x0 + 0.24 * f64::from(f);
        comb.push([x + 0.06, y0 + 0.48 + 7.98]);
        comb.push([x, y0 + 0.48 + 7.98]);
        if f > 0 {
            comb.push([x, y0 + 0.48]);
            comb.push([x - 0.18, y0 + 0.48]);
        }
    }
    // Turned over: finger tips 0.12 from the first bus, fingers shifted by 0.12.
    let top = 2.0 * y0 + 0.48 + 0.12 + 7.98 + 0.48;
    let other = comb.iter().map(|p| [p[0] + 0.12, top - p[1]]).collect();
    Mask {
        name: "B",
        sheet_mm: [0.0, 0.0, w, h],
        paths: vec![closed(comb), closed(other)],
        recipe: recipe(12, 500.0, 8.0),
    }
}

/// 15 rings, each cut by four ties into closed arcs; 4 passes.
pub fn mask_c() -> Mask {
    let mut paths = vec![];
    for k in 0..15 {
        let (r, q) = (1.0 + 0.5 * f64::from(k), 1.25 + 0.5 * f64::from(k));
        for quarter in 0..4 {
            let middle = std::f64::consts::FRAC_PI_2 * (f64::from(quarter) + 0.5);
            let arc = |radius: f64| -> Vec<[f64; 2]> {
                let half = std::f64::consts::FRAC_PI_4 - (0.15 / radius).asin();
                let n = (2.0 * half * radius / 0.05).ceil() as u32;
                (0..=n)
                    .map(|i| {
                        let a = middle - half + 2.0 * half * f64::from(i) / f64::from(n);
                        [10.0 + radius * a.cos(), 10.0 + radius * a.sin()]
                    })
                    .collect()
            };
            let mut points = arc(q);
            points.extend(arc(r).into_iter().rev());
            paths.push(closed(points));
        }
    }
    Mask {
        name: "C",
        sheet_mm: [0.0, 0.0, 20.0, 20.0],
        paths,
        recipe: recipe(4, 100.0, 2.0),
    }
}

/// Visits as motion.
pub fn motion(mask: &Mask, visits: &[Visit]) -> Motion {
    order::motion(&mask.paths, visits, &mask.recipe, mask.sheet_mm)
}

fn whole(mask: &Mask, path: usize, pass: u32) -> Visit {
    Visit {
        path: path as u32,
        pass,
        from_mm: 0.0,
        to_mm: mask.paths[path].length_mm(),
        dwell_before_s: 0.0,
        dwell_reason: String::new(),
    }
}

/// From each cut to the nearest one left.
pub fn nearest_neighbour(mask: &Mask) -> Vec<usize> {
    let mut left: Vec<usize> = (0..mask.paths.len()).collect();
    let mut at = [0.0, 0.0];
    let mut out = vec![];
    while !left.is_empty() {
        let gap = |p: usize| {
            let s = mask.paths[p].points[0];
            (s[0] - at[0]).hypot(s[1] - at[1])
        };
        let i = (0..left.len())
            .min_by(|a, b| gap(left[*a]).total_cmp(&gap(left[*b])))
            .unwrap();
        let p = left.remove(i);
        at = *mask.paths[p].points.last().unwrap();
        out.push(p);
    }
    out
}

pub fn in_rounds(mask: &Mask, order: &[usize]) -> Vec<Visit> {
    (1..=mask.recipe.passes.count)
        .flat_map(|pass| order.iter().map(move |p| (*p, pass)))
        .map(|(p, pass)| whole(mask, p, pass))
        .collect()
}

pub fn in_place(mask: &Mask, order: &[usize]) -> Vec<Visit> {
    order
        .iter()
        .flat_map(|p| (1..=mask.recipe.passes.count).map(move |pass| (*p, pass)))
        .map(|(p, pass)| whole(mask, p, pass))
        .collect()
}

/// The same visits in bites that follow each other at once: what cool order has to choose from, as drawn.
pub fn in_bites(mask: &Mask, visits: Vec<Visit>) -> Vec<Visit> {
    let bite_mm = mask.recipe.heat.bite_mm;
    let split = |v: Visit| {
        let count = ((v.to_mm - v.from_mm) / bite_mm - 1e-9).ceil().max(1.0);
        let at = move |n: f64| v.from_mm + (v.to_mm - v.from_mm) * n / count;
        (0..count as u32).map(move |n| Visit {
            from_mm: at(f64::from(n)),
            to_mm: at(f64::from(n) + 1.0),
            dwell_before_s: if n == 0 { v.dwell_before_s } else { 0.0 },
            ..v.clone()
        })
    };
    visits.into_iter().flat_map(split).collect()
}

pub fn cool(mask: &Mask) -> Checked<Vec<Visit>> {
    let checked = cool::schedule(&mask.paths, &mask.recipe, mask.sheet_mm);
    Checked::new(checked.value.visits, checked.findings)
}
