//! Joins of bites, read from the plan alone: none lies in a corner where the path has a straight place for it.

use crate::support::dice::Dice;
use crate::support::options;
use foilwright::job::Plan;
use foilwright::kerf::CutPath;
use foilwright::order::{OrderMode, Visit, cool_visits};
use foilwright::recipe::Recipe;
use foilwright::stencil::IslandMode;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Turn that no join may hold, and turn of a stretch that is as good as straight.
const CORNER_DEG: f64 = 25.0;
const STRAIGHT_DEG: f64 = 12.0;

/// A page of ribbons: zigzags with sharp and round bends, spirals, stars, curves and combs, 16 to 400 um wide.
fn drawing(dice: &mut Dice) -> String {
    let mut svg = String::from(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="14mm" height="9mm" viewBox="0 0 14 9"><g id="one">"#,
    );
    for n in 0..6 {
        let (x, y) = (1.0 + 4.2 * f64::from(n % 3), 1.0 + 4.0 * f64::from(n / 3));
        let width = dice.pick(&[0.016, 0.03, 0.03, 0.07, 0.15]);
        let mut d = format!("M{x},{y}");
        let mut closed = false;
        let to = |dice: &mut Dice, most: usize| dice.below(most) as f64 * 1e-3;
        match dice.below(6) {
            // Zigzag; its bends are as far apart as the page is patient.
            0 | 1 => {
                let long = 0.3 + to(dice, 2200);
                let rise = 0.18 + to(dice, 300);
                for k in 1..=6 {
                    let across = if k % 2 == 1 { long } else { 0.0 };
                    write!(d, " L{},{}", x + across, y + rise * f64::from(k)).unwrap();
                }
            }
            // Square spiral, drawn from outside.
            2 => {
                let mut side = 2.4 + to(dice, 400);
                let pitch = 0.25 + to(dice, 150);
                let (mut at, mut way) = ([x, y], [1.0, 0.0]);
                while side > pitch {
                    at = [at[0] + side * way[0], at[1] + side * way[1]];
                    write!(d, " L{},{}", at[0], at[1]).unwrap();
                    way = [-way[1], way[0]];
                    side -= 0.5 * pitch;
                }
            }
            // A star or another polygon.
            3 => {
                closed = true;
                d.clear();
                let points = 5 + dice.below(30);
                for k in 0..points {
                    let turn = std::f64::consts::TAU * k as f64 / points as f64;
                    let r = 0.5 + to(dice, 900);
                    let (s, c) = turn.sin_cos();
                    let word = if k == 0 { 'M' } else { 'L' };
                    write!(d, "{word}{},{} ", x + 1.5 + r * c, y + 1.5 + r * s).unwrap();
                }
                d.push('Z');
            }
            // Waves: tight bends without a corner.
            4 => {
                let r = 0.05 + to(dice, 200);
                let leg = to(dice, 1200);
                for k in 0..6 {
                    let s = if k % 2 == 0 { 1.0 } else { -1.0 };
                    let sweep = u8::from(s > 0.0);
                    write!(d, " v{} a{r},{r} 0 0 {sweep} {},0", s * leg, 2.0 * r).unwrap();
                }
            }
            _ => write!(
                d,
                " C{},{y} {x},{} {},{}",
                x + 2.5,
                y + 2.5,
                x + 2.5,
                y + 2.5
            )
            .unwrap(),
        }
        if closed {
            write!(svg, r#"<path d="{d}"/>"#).unwrap();
        } else {
            write!(
                svg,
                r#"<path d="{d}" fill="none" stroke="black" stroke-width="{width}" stroke-linejoin="{}"/>"#,
                dice.pick(&["miter", "round", "bevel"])
            )
            .unwrap();
        }
    }
    svg + "</g></svg>"
}

/// Directions of a path: length at the start of each piece, and where the piece points.
struct Directions(Vec<(f64, f64)>, f64);

impl Directions {
    fn new(points: &[[f64; 2]]) -> Directions {
        let mut out = Vec::new();
        let mut at = 0.0;
        for w in points.windows(2) {
            let (dx, dy) = (w[1][0] - w[0][0], w[1][1] - w[0][1]);
            // Pieces of a few nanometres point where rounding sends them.
            if dx.hypot(dy) > 2e-5 {
                out.push((at, dy.atan2(dx).to_degrees()));
            }
            at += dx.hypot(dy);
        }
        Directions(out, at)
    }
    /// Greatest angle between any two directions that the path has between two lengths.
    fn bend(&self, from: f64, to: f64) -> f64 {
        let held: Vec<f64> = (0..self.0.len())
            .filter(|&i| {
                let end = self.0.get(i + 1).map_or(self.1, |n| n.0);
                self.0[i].0 < to && end > from
            })
            .map(|i| self.0[i].1)
            .collect();
        let mut worst = 0.0f64;
        for (i, a) in held.iter().enumerate() {
            for b in &held[..i] {
                let d = (a - b).rem_euclid(360.0);
                worst = worst.max(d.min(360.0 - d));
            }
        }
        worst
    }
}

/// Parts of each path in its first pass, in order along it.
fn parts(visits: &[Visit]) -> BTreeMap<u32, Vec<[f64; 2]>> {
    let mut out: BTreeMap<u32, Vec<[f64; 2]>> = BTreeMap::new();
    for visit in visits.iter().filter(|v| v.pass == 1) {
        let part = [visit.from_mm, visit.to_mm];
        out.entry(visit.path).or_default().push(part);
    }
    for own in out.values_mut() {
        own.sort_by(|a, b| a[0].total_cmp(&b[0]));
    }
    out
}

/// The paths of a plan, as they were before they were placed in the field.
fn laid(plan: &Plan) -> Vec<CutPath> {
    let path = |p: &foilwright::job::Path| CutPath {
        kind: p.kind,
        closed: p.closed,
        points: p.points.clone(),
        opening: p.opening,
        parent: p.parent,
        run_in_mm: p.run_in_mm,
    };
    plan.paths.iter().map(path).collect()
}

#[test]
fn no_join_lies_in_a_corner_that_it_could_avoid() {
    let mut dice = Dice::seeded(77);
    let (mut joins, mut bent) = (0, 0);
    for n in 0..12 {
        let svg = drawing(&mut dice);
        let mut recipe = Recipe::load("steel-25um").unwrap();
        recipe.passes.count = 1;
        recipe.kerf.measured_passes = 1;
        recipe.heat.bite_mm = dice.pick(&[0.7, 1.3, 2.0]);
        let mut options = options(recipe.clone(), IslandMode::Tie, OrderMode::Artwork);
        options.force = true;
        let folder = tempfile::tempdir().unwrap();
        let drawn = folder.path().join("ribbons.svg");
        std::fs::write(&drawn, svg).unwrap();
        let run = foilwright::prepare(&drawn, &options).unwrap();
        let plan = run.jobs[0].plan.as_ref().unwrap();
        let visits = cool_visits(&laid(plan), &recipe, plan.sheet_mm);
        for (path, parts) in parts(&visits) {
            let way = Directions::new(&plan.paths[path as usize].points);
            for w in parts.windows(2) {
                let [from, to] = [w[1][0], w[0][1]];
                let overlap = to - from;
                assert!(overlap >= recipe.run_in_um() * 1e-3 - 1e-9);
                joins += 1;
                let bend = way.bend(from, to);
                if bend <= CORNER_DEG {
                    continue;
                }
                bent += 1;
                // Anywhere else this bite could have ended, with room to spare.
                let last = w[0][0] + recipe.heat.bite_mm - 1.5 * overlap;
                let mut other = w[0][0] + 2.5 * overlap;
                while other <= last {
                    let there = way.bend(other - 0.5 * overlap, other + 1.5 * overlap);
                    assert!(
                        there > STRAIGHT_DEG,
                        "drawing {n}, path {path}: a join at {from:.4}..{to:.4} mm turns by {bend:.1} degrees; at {other:.4} mm it would turn by {there:.1}"
                    );
                    other += 0.1 * overlap;
                }
            }
        }
    }
    println!("{joins} joins, {bent} of them in bends that have no straight place near");
    assert!(
        joins > 700 && bent * 50 < joins,
        "{joins} joins, {bent} bent"
    );
}
