//! Findings: what is wrong with a drawing, where, and what to do about it.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; changes nothing.
    Note,
    /// The stencil can be cut, yet differs from what was drawn or may disappoint.
    Warning,
    /// The stencil must not be cut as it is; `--force` overrides.
    Blocking,
}

impl Severity {
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Blocking => "blocking",
        }
    }
}

/// One thing found in an artwork, a stencil or a job.
///
/// `code` is stable (`kebab-case`) so that scripts can match it. `at_mm` is in page
/// coordinates (origin at the page's upper left corner, y down), as drawing programs show them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    pub code: String,
    pub severity: Severity,
    pub message: String,
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub hint: String,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub layer: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub element_id: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub at_mm: Option<[f64; 2]>,
    /// Measured value and the limit it is held against, both in micrometres, where that makes sense.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub measured_um: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub limit_um: Option<f64>,
}

impl Finding {
    fn new(code: &str, severity: Severity, message: impl Into<String>) -> Self {
        Finding {
            code: code.to_owned(),
            severity,
            message: message.into(),
            hint: String::new(),
            layer: None,
            element_id: None,
            at_mm: None,
            measured_um: None,
            limit_um: None,
        }
    }
    pub fn note(code: &str, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Note, message)
    }
    pub fn warning(code: &str, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Warning, message)
    }
    pub fn blocking(code: &str, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Blocking, message)
    }
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = hint.into();
        self
    }
    #[must_use]
    pub fn at(mut self, x_mm: f64, y_mm: f64) -> Self {
        self.at_mm = Some([x_mm, y_mm]);
        self
    }
    #[must_use]
    pub fn element(mut self, id: impl Into<String>) -> Self {
        self.element_id = Some(id.into());
        self
    }
    #[must_use]
    pub fn layer(mut self, name: impl Into<String>) -> Self {
        self.layer = Some(name.into());
        self
    }
    #[must_use]
    pub fn measured(mut self, measured_um: f64, limit_um: f64) -> Self {
        self.measured_um = Some(measured_um);
        self.limit_um = Some(limit_um);
        self
    }

    /// `element `ring`, layer hot, at (12.300, 4.000) mm`, as much of it as is known.
    pub fn place(&self) -> String {
        let mut parts = Vec::new();
        if let Some(layer) = &self.layer {
            parts.push(format!("layer `{layer}`"));
        }
        if let Some(id) = &self.element_id {
            parts.push(format!("element `{}`", shortened(id)));
        }
        if let Some([x, y]) = self.at_mm {
            parts.push(format!("at ({x:.3}, {y:.3}) mm"));
        }
        parts.join(", ")
    }
}

/// Longest text of the user's own that a message shows, letters.
const SHOWN_LETTERS: usize = 160;

/// A text of the user's own, cut short where it would flood a message.
pub fn shortened(text: &str) -> Cow<'_, str> {
    match text.char_indices().nth(SHOWN_LETTERS) {
        None => Cow::Borrowed(text),
        Some((end, _)) => Cow::Owned(format!(
            "{}... ({} letters)",
            &text[..end],
            text.chars().count()
        )),
    }
}

/// A result that carries what was found on the way.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked<T> {
    pub value: T,
    pub findings: Vec<Finding>,
}

impl<T> Checked<T> {
    pub fn new(value: T, findings: Vec<Finding>) -> Self {
        Checked { value, findings }
    }
    /// Moves the findings into `into` and hands over the value.
    pub fn take(self, into: &mut Vec<Finding>) -> T {
        into.extend(self.findings);
        self.value
    }
}

/// The worst severity among `findings`.
pub fn worst(findings: &[Finding]) -> Option<Severity> {
    findings.iter().map(|f| f.severity).max()
}
