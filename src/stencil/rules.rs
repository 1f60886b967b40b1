//! Stencil rules: limits of webs, openings, tongues and edges.

use super::Stencil;
use crate::finding::Finding;
use crate::recipe::Recipe;

/// Holds a stencil against the rules of the recipe.
pub fn check(_stencil: &Stencil, _recipe: &Recipe) -> Vec<Finding> {
    Vec::new()
}
