//! What several test modules share.

pub mod as_cut;
pub mod dice;

use foilwright::Options;
use foilwright::artwork::ReadOptions;
use foilwright::order::OrderMode;
use foilwright::recipe::Recipe;
use foilwright::stencil::IslandMode;
use std::path::{Path, PathBuf};

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

/// Every SVG under a folder, in no order; none where there is no such folder.
pub fn svgs(folder: &Path, into: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() {
            svgs(&path, into);
        } else if path.extension().is_some_and(|e| e == "svg") {
            into.push(path);
        }
    }
}
