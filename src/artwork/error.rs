//! Why a drawing cannot be read: everything that is wrong, listed together.

use crate::finding::shortened;
use std::fmt;

/// One thing that has no cut meaning, or that makes the drawing unreadable.
#[derive(Debug, Clone, PartialEq)]
pub struct Refusal {
    /// Stable word for scripts and tests.
    pub code: &'static str,
    /// What is wrong, naming the element.
    pub what: String,
    /// What to do about it.
    pub hint: String,
    pub layer: Option<String>,
    /// The drawing's id, or `row:column` in the file where it has none.
    pub element_id: Option<String>,
    /// Page coordinates, millimetres.
    pub at_mm: Option<[f64; 2]>,
}

impl Refusal {
    pub(super) fn new(
        code: &'static str,
        what: impl Into<String>,
        hint: impl Into<String>,
    ) -> Self {
        Refusal {
            code,
            what: what.into(),
            hint: hint.into(),
            layer: None,
            element_id: None,
            at_mm: None,
        }
    }
    pub(super) fn element(mut self, id: &str) -> Self {
        if !id.is_empty() {
            self.element_id = Some(id.to_owned());
        }
        self
    }
    pub(super) fn layer(mut self, name: Option<&str>) -> Self {
        self.layer = name.map(str::to_owned);
        self
    }
    pub(super) fn at(mut self, at_mm: Option<[f64; 2]>) -> Self {
        self.at_mm = at_mm;
        self
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut place = Vec::new();
        if let Some(id) = &self.element_id {
            place.push(format!("element `{}`", shortened(id)));
        }
        if let Some(layer) = &self.layer {
            place.push(format!("layer `{layer}`"));
        }
        if let Some([x, y]) = self.at_mm {
            place.push(format!("at ({x:.3}, {y:.3}) mm"));
        }
        if !place.is_empty() {
            write!(f, "{}: ", place.join(", "))?;
        }
        f.write_str(&self.what)?;
        if !self.hint.is_empty() {
            write!(f, "; {}", self.hint)?;
        }
        Ok(())
    }
}

/// A drawing that cannot be read, with every reason found.
#[derive(Debug, Clone, PartialEq)]
pub struct ArtworkError {
    /// The file as the user named it.
    pub file: String,
    pub refusals: Vec<Refusal>,
}

/// How many reasons are printed before the rest is only counted.
const PRINTED: usize = 20;

impl fmt::Display for ArtworkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.refusals.as_slice() {
            [] => write!(f, "{}: cannot be read", self.file),
            [one] => write!(f, "{}: {one}", self.file),
            many => {
                write!(f, "{}: {} things cannot be cut:", self.file, many.len())?;
                for refusal in many.iter().take(PRINTED) {
                    write!(f, "\n  - {refusal}")?;
                }
                if many.len() > PRINTED {
                    write!(f, "\n  - and {} more", many.len() - PRINTED)?;
                }
                Ok(())
            }
        }
    }
}

impl std::error::Error for ArtworkError {}
