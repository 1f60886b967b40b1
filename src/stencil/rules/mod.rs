//! Stencil rules: limits of webs, openings, bars and edges.

mod corners;
mod necks;
mod slender;

use super::Stencil;
use super::geometry::{V, len, middle, mm, sub, v};
use crate::artwork::Layer;
use crate::finding::Finding;
use crate::recipe::Recipe;
use crate::regions::Point;
use crate::units::{NM_PER_MM, NM_PER_UM, show_length_um};
use necks::{Between, Neck};
use slender::Held;
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Standard gravity, m/s2 (exact by definition).
const GRAVITY_M_S2: f64 = 9.80665;

/// Mean width below which something is dust that flattening and rounding left and nothing drawn, nanometres: the
/// tolerance of flattening.
const DUST_NM: f64 = 100.0;

/// Area ratio of an opening: its area over the area of its wall, A / (P T) (IPC-7525).
pub fn area_ratio(area_um2: f64, perimeter_um: f64, thickness_um: f64) -> f64 {
    area_um2 / (perimeter_um * thickness_um)
}

/// Droop of a tongue's tip under its own weight, micrometres: 3 rho g L^4 / (2 E t^2) (Euler-Bernoulli).
pub fn tongue_droop_um(length_mm: f64, thickness_um: f64, density_kg_m3: f64, e_gpa: f64) -> f64 {
    let (l, t) = (length_mm * 1e-3, thickness_um * 1e-6);
    1e6 * 3.0 * density_kg_m3 * GRAVITY_M_S2 * l.powi(4) / (2.0 * e_gpa * 1e9 * t * t)
}

/// Droop in the middle of a bar clamped at both ends, micrometres: rho g L^4 / (32 E t^2) (Euler-Bernoulli).
pub fn bridge_droop_um(length_mm: f64, thickness_um: f64, density_kg_m3: f64, e_gpa: f64) -> f64 {
    tongue_droop_um(length_mm, thickness_um, density_kg_m3, e_gpa) / 48.0
}

/// Rise over its frame at which a clamped bar buckles, kelvin: pi^2 t^2 / (3 L^2 alpha) (Euler). Its width does not
/// enter: a wide strip with free sides bends over its thickness like a narrow one, at 1 / (1 - nu^2) of the rise.
pub fn buckling_rise_k(length_mm: f64, thickness_um: f64, expansion_ppm_k: f64) -> f64 {
    let ratio = thickness_um * 1e-3 / length_mm;
    PI * PI * ratio * ratio / (3.0 * expansion_ppm_k * 1e-6)
}

/// Holds a stencil against the rules of the recipe.
///
/// Codes: `web-narrow`, `edges-coincide`, `corners-touch`, `opening-narrow`, `aspect-ratio`, `area-ratio`,
/// `tongue-droops`, `bar-buckles`, `bar-droops`, `foil-sliver`, `corner-sharp`, `edge-margin`, `foil-not-measured`.
pub fn check(stencil: &Stencil, recipe: &Recipe) -> Vec<Finding> {
    let mut findings = Vec::new();
    widths(stencil, recipe, &mut findings);
    areas(stencil, recipe, &mut findings);
    tie_bars(stencil, recipe, &mut findings);
    slender_parts(stencil, recipe, &mut findings);
    corners::slivers(&stencil.openings, recipe, &mut findings);
    corners::sharp(&stencil.openings, recipe, &mut findings);
    margin(stencil, recipe, &mut findings);
    findings
}

/// What is odd about a layer as drawn. Code: `drawn-twice`.
pub fn drawn(layer: &Layer) -> Vec<Finding> {
    corners::drawn_twice(layer)
}

fn widths(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let (web, opening) = (recipe.min_web_um(), recipe.min_opening_um());
    let aspect = recipe.rules.min_aspect_ratio * recipe.foil.thickness_um;
    let limit_nm = opening.max(aspect) * NM_PER_UM;
    // Edges nearer than the kerf is known were meant to meet.
    let same = 2.0 * recipe.kerf.uncertainty_um;
    // Widths at the limit are allowed: the grid may round each edge by half a nanometre.
    let slack = 1.0;
    let found = necks::find(&stencil.openings, web * NM_PER_UM - slack, limit_nm - slack);
    for touch in found.touches {
        let [x, y] = mm(touch.at);
        findings.push(
            Finding::warning(
                "corners-touch",
                format!(
                    "openings touch at a point: the foil is parted there (at least {} between them)",
                    show_length_um(web)
                ),
            )
            .hint("let them overlap, or move them apart")
            .at(x, y)
            .measured(0.0, web),
        );
    }
    let code = |neck: &Neck| match neck.between {
        Between::Foil if neck.width_um() < same => "edges-coincide",
        Between::Foil => "web-narrow",
        Between::Opening if neck.width_um() < opening => "opening-narrow",
        Between::Opening => "aspect-ratio",
    };
    let words = |neck: &Neck| {
        let um = neck.width_um();
        let code = code(neck);
        let [x, y] = mm(neck.at);
        let finding = match code {
            "edges-coincide" => Finding::warning(
                code,
                format!(
                    "two edges of openings lie {} apart, less than the kerf is known ({}): the hair of foil between them burns away",
                    show_length_um(um),
                    show_length_um(same)
                ),
            )
            .hint("let the openings overlap, or move them apart")
            .measured(um, same),
            "web-narrow" => Finding::warning(
                code,
                format!(
                    "a web of foil is {} wide: it may tear or bend (at least {})",
                    show_length_um(um),
                    show_length_um(web)
                ),
            )
            .hint("move the openings apart")
            .measured(um, web),
            "opening-narrow" => Finding::warning(
                code,
                format!(
                    "an opening is {} wide here (at least {})",
                    show_length_um(um),
                    show_length_um(opening)
                ),
            )
            .hint("draw it wider, or cut a thinner foil")
            .measured(um, opening),
            _ => Finding::note(
                code,
                format!(
                    "an opening is {} wide here, {:.2} foil thicknesses: the foil's edge shades the film (better {})",
                    show_length_um(um),
                    um / recipe.foil.thickness_um,
                    recipe.rules.min_aspect_ratio
                ),
            )
            .hint("draw it wider, or cut a thinner foil")
            .measured(um, aspect),
        };
        finding.at(x, y)
    };
    let mut figures: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for neck in &found.necks {
        figures.entry(code(neck)).or_default().push(neck.width_um());
    }
    let mut kinds: BTreeMap<&str, Listing> = (figures.into_iter())
        .map(|(code, widths_um)| (code, Listing::of(widths_um)))
        .collect();
    let mut rest = Vec::new();
    for neck in &found.necks {
        let Some(kind) = kinds.get_mut(code(neck)) else {
            continue;
        };
        if kind.takes(neck.width_um()) {
            findings.push(words(neck));
        } else if kind.left_out == 1 {
            rest.push(words(neck));
        }
    }
    findings.extend(rest.into_iter().map(|one| {
        let Listing { up_to_um, left_out, .. } = kinds[one.code.as_str()];
        Finding {
            message: format!(
                "{left_out} more places like this, none narrower than {}, are not listed one by one",
                show_length_um(up_to_um)
            ),
            measured_um: Some(up_to_um),
            ..one
        }
    }));
}

/// Widths of one kind that are listed one by one, the narrowest, where there are more.
const LISTED: usize = 2000;

/// Which widths of one kind are listed one by one.
struct Listing {
    up_to_um: f64,
    listed: usize,
    left_out: usize,
}

impl Listing {
    fn of(mut widths_um: Vec<f64>) -> Listing {
        let up_to_um = if widths_um.len() <= LISTED {
            f64::INFINITY
        } else {
            *widths_um
                .select_nth_unstable_by(LISTED - 1, f64::total_cmp)
                .1
        };
        Listing {
            up_to_um,
            listed: 0,
            left_out: 0,
        }
    }
    /// Of widths that are alike the first are listed.
    fn takes(&mut self, width_um: f64) -> bool {
        let takes = width_um <= self.up_to_um && self.listed < LISTED;
        *(if takes {
            &mut self.listed
        } else {
            &mut self.left_out
        }) += 1;
        takes
    }
}

fn areas(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    for shape in stencil.openings.shapes() {
        let (area_nm2, perimeter_nm) = (shape.area_nm2(), shape.perimeter_nm());
        let ratio = area_ratio(
            area_nm2 / 1e6,
            perimeter_nm / NM_PER_UM,
            recipe.foil.thickness_um,
        );
        let dust = 2.0 * area_nm2 < DUST_NM * perimeter_nm;
        if ratio < recipe.rules.min_area_ratio && !dust {
            let per_um = ratio * recipe.foil.thickness_um;
            let least_um = recipe.rules.min_area_ratio * recipe.foil.thickness_um;
            let [x, y] = mm(v(super::geometry::inner_point(shape)));
            findings.push(
                Finding::warning(
                    "area-ratio",
                    format!(
                        "an opening's area is {ratio:.2} of its wall area (at least {}): little film gets through",
                        recipe.rules.min_area_ratio
                    ),
                )
                .hint("draw it larger, or cut a thinner foil")
                .at(x, y)
                // Area over perimeter, against that of the limit.
                .measured(per_um, least_um),
            );
        }
    }
}

/// Longest tongue, longest bar for its droop and longest bar for buckling that the recipe allows, millimetres.
fn longest_mm(recipe: &Recipe) -> [f64; 3] {
    let (m, t) = (recipe.material(), recipe.foil.thickness_um);
    // Droop goes with the fourth power of the length, the rise with its inverse square.
    let droop = |at_1_mm: f64| (recipe.rules.max_droop_um / at_1_mm).sqrt().sqrt();
    [
        droop(tongue_droop_um(
            1.0,
            t,
            m.density_kg_m3,
            m.youngs_modulus_gpa,
        )),
        droop(bridge_droop_um(
            1.0,
            t,
            m.density_kg_m3,
            m.youngs_modulus_gpa,
        )),
        (buckling_rise_k(1.0, t, m.expansion_ppm_k) / recipe.rules.min_buckling_k).sqrt(),
    ]
}

/// What a bar of that length does, if it is too long.
fn bar_finding(what: &str, length_mm: f64, at: V, recipe: &Recipe) -> Option<Finding> {
    let (m, t) = (recipe.material(), recipe.foil.thickness_um);
    let [_, droops_mm, buckles_mm] = longest_mm(recipe);
    let [x, y] = mm(at);
    if length_mm > buckles_mm {
        let rise = buckling_rise_k(length_mm, t, m.expansion_ppm_k);
        return Some(
            Finding::warning(
                "bar-buckles",
                format!(
                    "{what} {length_mm:.2} mm long buckles, however wide, when it is {rise:.1} K hotter than the foil it hangs in (at least {} K)",
                    recipe.rules.min_buckling_k
                ),
            )
            .hint("make it shorter or hold it in between; a thicker foil bears more")
            .at(x, y)
            .measured(length_mm * 1e3, buckles_mm * 1e3),
        );
    }
    (length_mm > droops_mm).then(|| {
        let droop = bridge_droop_um(length_mm, t, m.density_kg_m3, m.youngs_modulus_gpa);
        Finding::warning(
            "bar-droops",
            format!(
                "{what} {length_mm:.2} mm long sags {} under its own weight (at most {})",
                show_length_um(droop),
                show_length_um(recipe.rules.max_droop_um)
            ),
        )
        .hint("make it shorter or hold it in between; a thicker foil bears more")
        .at(x, y)
        .measured(droop, recipe.rules.max_droop_um)
    })
}

fn tie_bars(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    findings.extend(stencil.tie_bars.iter().filter_map(|bar| {
        let length_mm = len(sub(v(bar.to), v(bar.from))) / NM_PER_MM;
        bar_finding(
            "a tie bar",
            length_mm,
            middle(v(bar.from), v(bar.to)),
            recipe,
        )
    }));
}

fn slender_parts(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let (m, t) = (recipe.material(), recipe.foil.thickness_um);
    let [tongue_mm, droops_mm, buckles_mm] = longest_mm(recipe);
    let found = slender::find(
        &stencil.sheet,
        &stencil.openings,
        &stencil.tie_bars,
        tongue_mm * NM_PER_MM,
        droops_mm.min(buckles_mm) * NM_PER_MM,
    );
    let parts = match found {
        Ok(parts) => parts,
        Err(e) => {
            findings.push(
                Finding::warning(
                    "foil-not-measured",
                    format!("long thin parts of the foil were not looked for: {e}"),
                )
                .at(e.x_mm, e.y_mm),
            );
            return;
        }
    };
    for part in parts {
        let length_mm = part.length_nm / NM_PER_MM;
        let wide = show_length_um(part.width_nm / NM_PER_UM);
        let [x, y] = mm(part.at);
        match part.held {
            Held::AtOneEnd => {
                let droop = tongue_droop_um(length_mm, t, m.density_kg_m3, m.youngs_modulus_gpa);
                findings.push(
                    Finding::warning(
                        "tongue-droops",
                        format!(
                            "a tongue of foil {length_mm:.2} mm long and {wide} wide sags {} under its own weight (at most {})",
                            show_length_um(droop),
                            show_length_um(recipe.rules.max_droop_um)
                        ),
                    )
                    .hint("hold its tip with a bridge or a tie line, or cut a thicker foil")
                    .at(x, y)
                    .measured(droop, recipe.rules.max_droop_um),
                );
            }
            Held::AtBothEnds => findings.extend(bar_finding(
                &format!("a strip of foil {wide} wide and"),
                length_mm,
                part.at,
                recipe,
            )),
        }
    }
}

/// Openings in the margin: one finding for all of them, at the nearest.
fn margin(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let limit = recipe.rules.edge_margin_mm;
    let edges: Vec<_> = stencil.sheet.rings().flat_map(inward_edges).collect();
    // Distance from the nearest of the sheet's edges; beyond one it is negative.
    let depth_mm = |p: &Point| {
        edges
            .iter()
            .map(|(a, n)| {
                let d = sub(v(*p), *a);
                d[0] * n[0] + d[1] * n[1]
            })
            .fold(f64::INFINITY, f64::min)
            / NM_PER_MM
    };
    let mut near: Vec<(f64, Point)> = stencil
        .openings
        .shapes()
        .filter(|s| {
            // The box is nearer than the opening itself only where the sheet has a chamfer.
            let b = s.bounds();
            [
                b.min,
                b.max,
                Point::new(b.min.x, b.max.y),
                Point::new(b.max.x, b.min.y),
            ]
            .iter()
            .any(|p| depth_mm(p) < limit)
        })
        .filter_map(|s| {
            s.outer()
                .iter()
                .map(|p| (depth_mm(p), *p))
                .min_by(|a, b| a.0.total_cmp(&b.0))
        })
        .filter(|n| n.0 < limit)
        .collect();
    near.sort_by(|a, b| {
        a.0.total_cmp(&b.0)
            .then((a.1.x, a.1.y).cmp(&(b.1.x, b.1.y)))
    });
    let Some(&(mm_left, p)) = near.first() else {
        return;
    };
    let [x, y] = mm(v(p));
    let who = match near.len() {
        1 => format!("an opening is {mm_left:.3} mm"),
        n => format!("{n} openings are down to {mm_left:.3} mm"),
    };
    findings.push(
        Finding::warning(
            "edge-margin",
            format!("{who} from the sheet's edge (at least {limit} mm for magnets and handling)"),
        )
        .hint("draw on a larger page, move them inwards, or set [rules] edge_margin_mm")
        .at(x, y)
        .measured(mm_left * 1e3, limit * 1e3),
    );
}

/// Each edge of a convex ring: a point on it and the unit normal into the ring.
fn inward_edges(ring: &[Point]) -> Vec<([f64; 2], [f64; 2])> {
    let n = ring.len();
    let centre = ring.iter().fold([0.0, 0.0], |c, p| {
        [
            c[0] + f64::from(p.x) / n as f64,
            c[1] + f64::from(p.y) / n as f64,
        ]
    });
    (0..n)
        .map(|i| {
            let (a, b) = (v(ring[i]), v(ring[(i + 1) % n]));
            let d = sub(b, a);
            let l = len(d).max(1e-9);
            let normal = [-d[1] / l, d[0] / l];
            let to_centre = sub(centre, a);
            let side = normal[0] * to_centre[0] + normal[1] * to_centre[1];
            (
                a,
                if side < 0.0 {
                    [-normal[0], -normal[1]]
                } else {
                    normal
                },
            )
        })
        .collect()
}
