//! What several test modules share.

pub mod as_cut;
pub mod dice;

use foilwright::Options;
use foilwright::artwork::ReadOptions;
use foilwright::order::OrderMode;
use foilwright::recipe::Recipe;
use foilwright::stencil::IslandMode;

/// A run of all layers, without force.
pub fn options(recipe: Recipe, islands: IslandMode, order: OrderMode) -> Options {
    Options {
        read: ReadOptions {
            tolerance_um: recipe.tolerance_um(),
            ..ReadOptions::default()
        },
        recipe,
        layers: Vec::new(),
        islands,
        order,
        force: false,
        rules_only: false,
    }
}
