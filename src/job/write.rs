//! What every job format answers to. One writer per file beside this one; the table is [`writer`].

use super::plan::Plan;
use crate::recipe::Recipe;
use thiserror::Error;

#[derive(Debug, Error)]
pub enum WriteError {
    /// The format cannot carry this job truthfully; the text says why and what to use instead.
    #[error("{0}")]
    Refused(String),
}

/// A file format for jobs.
pub trait Writer: std::fmt::Debug + Sync {
    /// What follows the layer's name in the file name, without the dot in front.
    fn extension(&self) -> &'static str;
    /// The whole file.
    ///
    /// # Errors
    /// Where the format cannot carry the job.
    fn write(&self, plan: &Plan, recipe: &Recipe) -> Result<Vec<u8>, WriteError>;
}
