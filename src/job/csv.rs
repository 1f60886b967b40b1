//! Plain polylines as CSV: one row per point, in the order of cutting.

use super::plan::{Plan, Step};
use super::write::{WriteError, Writer};
use crate::recipe::Recipe;

/// Writes `.csv` files.
#[derive(Debug)]
pub struct CsvWriter;

impl Writer for CsvWriter {
    fn extension(&self) -> &'static str {
        "csv"
    }

    fn write(&self, plan: &Plan, recipe: &Recipe) -> Result<Vec<u8>, WriteError> {
        let failed = |e: &dyn std::fmt::Display| WriteError::Refused(format!("csv: {e}"));
        let mut out = ::csv::Writer::from_writer(Vec::new());
        out.write_record([
            "cut",
            "path",
            "pass",
            "kind",
            "pause_before_s",
            "speed_mm_s",
            "x_mm",
            "y_mm",
        ])
        .map_err(|e| failed(&e))?;
        let (mut cut, mut pause_s) = (0u64, 0.0);
        for step in &plan.steps {
            match step {
                Step::Jump { .. } => {}
                Step::Dwell { seconds, .. } => pause_s += seconds,
                Step::Cut {
                    path,
                    pass,
                    from_mm,
                    to_mm,
                    ..
                } => {
                    let kind = format!("{:?}", plan.paths[*path as usize].kind).to_lowercase();
                    for p in plan.cut_points(*path, *from_mm, *to_mm).iter() {
                        out.write_record([
                            cut.to_string(),
                            path.to_string(),
                            pass.to_string(),
                            kind.clone(),
                            crate::units::trim_number(pause_s, 4),
                            crate::units::trim_number(plan.speed_mm_s(*path), 4),
                            format!("{:.6}", p[0] / recipe.scan.scale_x),
                            format!("{:.6}", p[1] / recipe.scan.scale_y),
                        ])
                        .map_err(|e| failed(&e))?;
                    }
                    cut += 1;
                    pause_s = 0.0;
                }
            }
        }
        out.into_inner().map_err(|e| failed(&e))
    }
}
