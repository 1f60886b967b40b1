//! Cut-out: the sheet's own outline, moved outwards by half the kerf, in parts between holding tabs.

use super::{CutKind, CutPath};
use crate::finding::{Checked, Finding};
use crate::recipe::Recipe;
use crate::sheet::Sheet;
use crate::units::trim_number;

/// The outline's cuts in order around the sheet, page millimetres: one open path from tab to tab.
///
/// Tabs stand at even distances on the four sides, `sheet.tabs_per_side` on each, `sheet.tab_um` of metal
/// wide. Codes: `tabs-do-not-fit`, `chamfer-too-large`; nothing is cut then.
pub fn cut_out(sheet: &Sheet, recipe: &Recipe) -> Checked<Vec<CutPath>> {
    let mut findings = Vec::new();
    let [w, h] = sheet.size_mm();
    let half_mm = recipe.kerf.width_um * 0.5e-3;
    let chamfer = sheet.chamfer_mm;
    if chamfer > w.min(h) / 2.0 {
        findings.push(
            Finding::blocking(
                "chamfer-too-large",
                format!(
                    "the chamfer of {} mm takes more than half of a side of the sheet",
                    trim_number(chamfer, 3)
                ),
            )
            .hint("lower [sheet] chamfer_mm"),
        );
    }
    // A tab of metal between two round cut ends: their centres stand a kerf further apart.
    let gap_mm = recipe.sheet.tab_um * 1e-3 + 2.0 * half_mm;
    let count = recipe.sheet.tabs_per_side;
    let shortest = w.min(h) - chamfer;
    if 2.0 * gap_mm * f64::from(count) > shortest {
        findings.push(
            Finding::blocking(
                "tabs-do-not-fit",
                format!(
                    "{count} holding tabs of {} um take more than half of a side of {} mm",
                    trim_number(recipe.sheet.tab_um, 1),
                    trim_number(shortest, 3)
                ),
            )
            .hint("lower [sheet] tabs_per_side or tab_um"),
        );
    }
    if !findings.is_empty() {
        return Checked::new(Vec::new(), findings);
    }
    let ring = outwards(sheet, half_mm);
    let tabs = tab_places(&ring, sheet, count);
    let paths = (0..tabs.len())
        .map(|i| {
            let (from, to) = (tabs[i], tabs[(i + 1) % tabs.len()]);
            CutPath {
                kind: CutKind::Sheet,
                closed: false,
                points: part(&ring, from, to, gap_mm / 2.0),
                opening: None,
                parent: None,
                run_in_mm: 0.0,
            }
        })
        .collect();
    Checked::new(paths, findings)
}

/// The outline with every edge moved outwards; corners stay sharp, since a round beam on the moved corner
/// leaves the sheet's corner as it is.
fn outwards(sheet: &Sheet, by_mm: f64) -> Vec<[f64; 2]> {
    let ring = sheet.outline_mm();
    let n = ring.len();
    (0..n)
        .map(|i| {
            let (before, at, after) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
            let (u, v) = (outward(before, at), outward(at, after));
            // The moved edges meet where both normals reach `by_mm`.
            let scale = by_mm / (1.0 + u[0] * v[0] + u[1] * v[1]);
            [at[0] + scale * (u[0] + v[0]), at[1] + scale * (u[1] + v[1])]
        })
        .collect()
}

/// Unit normal to the left of a walk that has the sheet on its right (y down: clockwise as seen).
fn outward(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    let l = libm::hypot(b[0] - a[0], b[1] - a[1]).max(1e-12);
    [(b[1] - a[1]) / l, -(b[0] - a[0]) / l]
}

/// A place on a ring: its edge and the point.
type Place = (usize, [f64; 2]);

/// Middles of the tabs on the moved ring, in the order of the walk; the chamfer carries none.
fn tab_places(ring: &[[f64; 2]], sheet: &Sheet, count: u32) -> Vec<Place> {
    let edges = sheet.outline_mm();
    let n = edges.len();
    let mut out = Vec::new();
    for i in 0..n {
        let (a, b) = (edges[i], edges[(i + 1) % n]);
        if a[0] != b[0] && a[1] != b[1] {
            continue;
        }
        let (u, c) = (outward(a, b), ring[i]);
        // How far the ring lies out here.
        let by = u[0] * (c[0] - a[0]) + u[1] * (c[1] - a[1]);
        for k in 0..count {
            let t = (f64::from(k) + 0.5) / f64::from(count);
            out.push((
                i,
                [
                    a[0] + t * (b[0] - a[0]) + by * u[0],
                    a[1] + t * (b[1] - a[1]) + by * u[1],
                ],
            ));
        }
    }
    out
}

/// The ring from one place to another, `short_mm` left off at both ends.
fn part(ring: &[[f64; 2]], from: Place, to: Place, short_mm: f64) -> Vec<[f64; 2]> {
    let n = ring.len();
    let towards = |a: [f64; 2], b: [f64; 2]| {
        let l = libm::hypot(b[0] - a[0], b[1] - a[1]).max(1e-12);
        [
            a[0] + short_mm * (b[0] - a[0]) / l,
            a[1] + short_mm * (b[1] - a[1]) / l,
        ]
    };
    let mut points = vec![towards(from.1, ring[(from.0 + 1) % n])];
    let mut edge = from.0;
    // Every side carries a tab, so the walk ends before it is once round.
    while edge != to.0 {
        edge = (edge + 1) % n;
        points.push(ring[edge]);
    }
    points.push(towards(to.1, ring[to.0]));
    points
}
