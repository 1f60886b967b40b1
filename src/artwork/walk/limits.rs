//! What is too far out or too much to be read, and the way of outlines to the grid.

use super::super::resolved::Map;
use super::super::{Refusal, flatten, stroke};
use super::{Context, FARTHEST_MM, MOST_POINTS, Walker};
use crate::regions::{MOST_CROSSINGS, Point};
use crate::units::whole_nm;

/// What crosses too often, in words: its booleans would take more time and memory than there is.
pub(in super::super) fn tangled(what: &str) -> Refusal {
    Refusal::new(
        "tangled",
        format!(
            "{what} crosses itself more than {} thousand times: too much to be cut apart",
            MOST_CROSSINGS / 1e3
        ),
        "draw less of it over each other, or divide it among layers or drawings",
    )
}

impl Walker<'_> {
    pub(super) fn tangled(&mut self, path: &usvg::Path, context: &Context<'_>) {
        self.refuse(
            tangled("its outline"),
            context,
            path.abs_stroke_bounding_box(),
        );
    }

    /// Refuses, once, a drawing with too many points.
    pub(super) fn too_many(&mut self, path: &usvg::Path, context: &Context<'_>) {
        if self.refusals.iter().all(|r| r.code != "too-large") {
            let refusal = Refusal::new(
                "too-large",
                format!(
                    "with it the drawing has more than {MOST_POINTS} points or {} dashes",
                    stroke::MOST_DASHES
                ),
                "check its dash pattern, or split the drawing",
            );
            self.refuse(refusal, context, path.abs_bounding_box());
        }
    }

    pub(super) fn too_far(&mut self, p: flatten::Pt, path: &usvg::Path, context: &Context<'_>) {
        let refusal = Refusal::new(
            "too-far",
            format!(
                "reaches ({:.3e}, {:.3e}) mm, beyond the {FARTHEST_MM} mm read here",
                p[0], p[1]
            ),
            "check its coordinates, line width and transforms",
        );
        self.refuse(refusal, context, path.abs_bounding_box());
    }

    /// Refuses what lies, with its control points and half its width, far beyond what is read, before curves
    /// of such a size are flattened.
    pub(super) fn is_too_far(
        &mut self,
        path: &usvg::Path,
        map: &Map,
        half_width_mm: f64,
        context: &Context<'_>,
    ) -> bool {
        let limit = 4.0 * FARTHEST_MM - half_width_mm;
        if Self::source(path, context).is_within(map, limit) {
            return false;
        }
        let [x0, y0, x1, y1] = Self::source(path, context).bounds(map);
        let far = [[x0, y0], [x1, y1]]
            .into_iter()
            .find(|p| !(p[0].abs() <= limit && p[1].abs() <= limit));
        if let Some(p) = far {
            self.too_far(p, path, context);
        }
        far.is_some()
    }

    /// Millimetres to the grid, with refusal of what is too far or too much.
    pub(super) fn on_grid(
        &mut self,
        rings: &[Vec<flatten::Pt>],
        path: &usvg::Path,
        context: &Context<'_>,
    ) -> Option<Vec<Vec<Point>>> {
        self.points += rings.iter().map(Vec::len).sum::<usize>();
        if self.points > MOST_POINTS {
            self.too_many(path, context);
            return None;
        }
        let far = rings
            .iter()
            .flatten()
            .find(|p| !(p[0].abs() <= FARTHEST_MM && p[1].abs() <= FARTHEST_MM));
        if let Some(&p) = far {
            self.too_far(p, path, context);
            return None;
        }
        Some(
            rings
                .iter()
                .map(|r| {
                    r.iter()
                        .map(|p| Point::new(whole_nm(p[0]), whole_nm(p[1])))
                        .collect()
                })
                .collect(),
        )
    }
}
