//! HPGL: pen down is beam on. One plotter unit is 25 um by the language's definition (1016 to the inch).

use super::plan::{Plan, Step};
use super::write::{WriteError, Writer};
use crate::recipe::Recipe;
use std::fmt::Write as _;

/// Writes `.hpgl` files.
#[derive(Debug)]
pub struct HpglWriter;

impl Writer for HpglWriter {
    fn extension(&self) -> &'static str {
        "hpgl"
    }

    fn write(&self, plan: &Plan, recipe: &Recipe) -> Result<Vec<u8>, WriteError> {
        let unit_um = recipe.hpgl.unit_um;
        let limit_um = recipe.rules.max_edge_error_um;
        if plan.settings.kerf_um > 0.0 && unit_um / 2.0 > limit_um {
            return Err(WriteError::Refused(format!(
                "hpgl: steps of {unit_um} um round every edge by up to {} um, more than [rules] max_edge_error_um = \
                 {limit_um} and than the kerf allowance is worth; agree on a finer unit with the machine and set \
                 [hpgl] unit_um to at most {}, or use --as rs274",
                unit_um / 2.0,
                2.0 * limit_um
            )));
        }
        // Plotters count from the lower left corner of the sheet and know no negative places; the outline of
        // a cut-out sheet lies outside it.
        let zero = plan
            .paths
            .iter()
            .flat_map(|p| &p.points)
            .fold([plan.sheet_mm[0], plan.sheet_mm[1]], |z, p| {
                [z[0].min(p[0]), z[1].min(p[1])]
            });
        let unit = |p: [f64; 2]| {
            let steps = |v: f64| (v * 1e3 / unit_um).round() as i64;
            format!(
                "{},{}",
                steps((p[0] - zero[0]) / recipe.scan.scale_x),
                steps((p[1] - zero[1]) / recipe.scan.scale_y)
            )
        };
        let mut out = String::from("IN;PA;SP1;\n");
        for step in &plan.steps {
            match step {
                Step::Jump { .. } => {}
                // The language has no pause.
                Step::Dwell { .. } => {
                    return Err(WriteError::Refused(
                        "hpgl: this job has pauses and the language has none; use --as rs274, or --order travel".into(),
                    ));
                }
                Step::Cut {
                    path,
                    from_mm,
                    to_mm,
                    ..
                } => {
                    let points = plan.cut_points(*path, *from_mm, *to_mm);
                    let Some((first, rest)) = points.split_first() else {
                        continue;
                    };
                    let _ = writeln!(out, "PU{};", unit(*first));
                    for p in rest {
                        let _ = writeln!(out, "PD{};", unit(*p));
                    }
                    out.push_str("PU;\n");
                }
            }
        }
        out.push_str("SP0;\n");
        Ok(out.into_bytes())
    }
}
