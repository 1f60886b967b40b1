//! `foilwright recipe`: lists, prints and checks recipes.

use super::Exit;
use crate::material;
use crate::recipe::{BUILT_IN, Recipe};
use clap::{Args, Subcommand};

#[derive(Debug, Args)]
pub struct RecipeArgs {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// List the built-in recipes
    List,
    /// Print a complete annotated TOML to start from
    Show {
        /// Built-in recipe or TOML file
        #[arg(default_value = "steel-25um", value_name = "NAME|FILE")]
        name: String,
    },
    /// Check a recipe file: unknown keys, kinds, bounds
    Check {
        #[arg(value_name = "NAME|FILE")]
        name: String,
    },
    /// List the materials that `[foil] material` may name, with their constants and sources
    Materials,
}

pub fn run(args: RecipeArgs) -> anyhow::Result<Exit> {
    match args.action {
        Action::List => {
            for (name, about) in BUILT_IN {
                say!("{name:14} {about}");
            }
            say!(
                "\nAll values are common practice (no source): cut a coupon before you trust them."
            );
        }
        Action::Show { name } => say_on!("{}", Recipe::load(&name)?.to_annotated_toml()),
        Action::Check { name } => {
            let recipe = Recipe::load(&name)?;
            say!(
                "recipe {}: all keys known, all values within their bounds",
                recipe.name
            );
            for line in recipe.kerf_mismatch() {
                say!("warning: the kerf was measured at other settings: {line}");
            }
        }
        Action::Materials => {
            say!(
                "{:18} {:>8} {:>8} {:>8} {:>8} {:>8} {:>6} {:>8}  source",
                "name",
                "k W/mK",
                "kg/m3",
                "J/kgK",
                "melt K",
                "ppm/K",
                "GPa",
                "yield MPa"
            );
            for m in material::TABLE {
                say!(
                    "{:18} {:>8} {:>8} {:>8} {:>8} {:>8} {:>6} {:>8}  {}",
                    m.name,
                    m.conductivity_w_m_k,
                    m.density_kg_m3,
                    m.heat_capacity_j_kg_k,
                    m.melting_k.map_or("-".into(), |k| k.to_string()),
                    m.expansion_ppm_k,
                    m.youngs_modulus_gpa,
                    m.yield_mpa,
                    m.source
                );
            }
        }
    }
    Ok(0)
}
