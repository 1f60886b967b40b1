//! The plan itself as JSON, versioned.

use super::plan::Plan;
use super::write::{WriteError, Writer};
use crate::recipe::Recipe;

/// Writes `.plan.json` files.
#[derive(Debug)]
pub struct PlanWriter;

impl Writer for PlanWriter {
    fn extension(&self) -> &'static str {
        "plan.json"
    }

    fn write(&self, plan: &Plan, _recipe: &Recipe) -> Result<Vec<u8>, WriteError> {
        let mut bytes =
            serde_json::to_vec(plan).map_err(|e| WriteError::Refused(format!("plan.json: {e}")))?;
        bytes.push(b'\n');
        Ok(bytes)
    }
}
