//! Stencil rules: limits of webs, openings, bars and edges.

use super::Stencil;
use super::geometry::{len, middle, mm, sub, v};
use super::necks::{self, Between};
use crate::finding::Finding;
use crate::recipe::Recipe;
use crate::regions::Point;
use crate::units::{NM_PER_MM, NM_PER_UM, show_length_um};
use std::f64::consts::PI;

/// Standard gravity, m/s2 (exact by definition).
const GRAVITY_M_S2: f64 = 9.80665;

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

/// Rise over its frame at which a clamped bar buckles, kelvin: pi^2 t^2 / (3 L^2 alpha) (Euler).
pub fn buckling_rise_k(length_mm: f64, thickness_um: f64, expansion_ppm_k: f64) -> f64 {
    let ratio = thickness_um * 1e-3 / length_mm;
    PI * PI * ratio * ratio / (3.0 * expansion_ppm_k * 1e-6)
}

/// Holds a stencil against the rules of the recipe.
///
/// Codes: `web-narrow`, `opening-narrow`, `aspect-ratio`, `area-ratio`, `bar-buckles`, `bar-droops`,
/// `edge-margin`.
pub fn check(stencil: &Stencil, recipe: &Recipe) -> Vec<Finding> {
    let mut findings = Vec::new();
    widths(stencil, recipe, &mut findings);
    areas(stencil, recipe, &mut findings);
    bars(stencil, recipe, &mut findings);
    margin(stencil, recipe, &mut findings);
    findings
}

fn widths(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let (web, opening) = (recipe.min_web_um(), recipe.min_opening_um());
    let aspect = recipe.rules.min_aspect_ratio * recipe.foil.thickness_um;
    let limit_nm = opening.max(aspect) * NM_PER_UM;
    // Widths at the limit are allowed: the grid may round each edge by half a nanometre.
    let slack = 1.0;
    for neck in necks::find(&stencil.openings, web * NM_PER_UM - slack, limit_nm - slack) {
        let um = neck.width_nm / NM_PER_UM;
        let [x, y] = mm(neck.at);
        let finding = match neck.between {
            Between::Foil => Finding::warning(
                "web-narrow",
                format!(
                    "a web of foil is {} wide: it may tear or bend (at least {})",
                    show_length_um(um),
                    show_length_um(web)
                ),
            )
            .hint("move the openings apart")
            .measured(um, web),
            Between::Opening if um < opening => Finding::warning(
                "opening-narrow",
                format!(
                    "an opening is {} wide here (at least {})",
                    show_length_um(um),
                    show_length_um(opening)
                ),
            )
            .hint("draw it wider, or cut a thinner foil")
            .measured(um, opening),
            Between::Opening => Finding::warning(
                "aspect-ratio",
                format!(
                    "an opening is {} wide here, {:.2} foil thicknesses: the foil's edge shades the film (at least {})",
                    show_length_um(um),
                    um / recipe.foil.thickness_um,
                    recipe.rules.min_aspect_ratio
                ),
            )
            .hint("draw it wider, or cut a thinner foil")
            .measured(um, aspect),
        };
        findings.push(finding.at(x, y));
    }
}

fn areas(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    for shape in stencil.openings.shapes() {
        let ratio = area_ratio(
            shape.area_nm2() / 1e6,
            shape.perimeter_nm() / NM_PER_UM,
            recipe.foil.thickness_um,
        );
        if ratio < recipe.rules.min_area_ratio {
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
                .at(x, y),
            );
        }
    }
}

fn bars(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let (m, t) = (recipe.material(), recipe.foil.thickness_um);
    for bar in &stencil.tie_bars {
        let length_mm = len(sub(v(bar.to), v(bar.from))) / NM_PER_MM;
        if length_mm <= 0.0 {
            continue;
        }
        let [x, y] = mm(middle(v(bar.from), v(bar.to)));
        let rise = buckling_rise_k(length_mm, t, m.expansion_ppm_k);
        if rise < recipe.rules.min_buckling_k {
            findings.push(
                Finding::warning(
                    "bar-buckles",
                    format!(
                        "a tie bar {length_mm:.2} mm long buckles when it is {rise:.1} K hotter than its frame (limit {} K)",
                        recipe.rules.min_buckling_k
                    ),
                )
                .hint("place a shorter bar by hand, or split the layer")
                .at(x, y),
            );
        }
        let droop = bridge_droop_um(length_mm, t, m.density_kg_m3, m.youngs_modulus_gpa);
        if droop > recipe.rules.max_droop_um {
            findings.push(
                Finding::warning(
                    "bar-droops",
                    format!(
                        "a tie bar {length_mm:.2} mm long sags {}",
                        show_length_um(droop)
                    ),
                )
                .hint("place a shorter bar by hand")
                .at(x, y)
                .measured(droop, recipe.rules.max_droop_um),
            );
        }
    }
}

fn margin(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let limit = recipe.rules.edge_margin_mm;
    let edges: Vec<_> = stencil.sheet.rings().flat_map(inward_edges).collect();
    for shape in stencil.openings.shapes() {
        let b = shape.bounds();
        let corners = [
            b.min,
            b.max,
            Point::new(b.min.x, b.max.y),
            Point::new(b.max.x, b.min.y),
        ];
        let nearest = |points: &[Point]| {
            let of = |(a, n): &([f64; 2], [f64; 2])| {
                points
                    .iter()
                    .map(|&p| {
                        let d = sub(v(p), *a);
                        d[0] * n[0] + d[1] * n[1]
                    })
                    .fold(f64::INFINITY, f64::min)
            };
            edges.iter().map(of).fold(f64::INFINITY, f64::min) / NM_PER_MM
        };
        // The box is nearer than the opening itself only where the sheet has a chamfer.
        if nearest(&corners) >= limit {
            continue;
        }
        let mm_left = nearest(shape.outer());
        if mm_left < limit {
            let [x, y] = mm(middle(v(b.min), v(b.max)));
            findings.push(
                Finding::warning(
                    "edge-margin",
                    format!("an opening is {mm_left:.3} mm from the sheet's edge (at least {limit} mm for magnets and handling)"),
                )
                .hint("draw on a larger page, or move it inwards")
                .at(x, y)
                .measured(mm_left * 1e3, limit * 1e3),
            );
        }
    }
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
