//! Commands: the only place that knows the command line. One file per command.

#[macro_use]
mod say;

mod check;
mod clear;
mod compare;
mod coupon;
mod cut;
mod fit;
mod preview;
pub mod proof;
mod recipe;
mod shown;
mod trade;
mod window;
mod words;

use crate::Options;
use crate::artwork::ReadOptions;
use crate::order::OrderMode;
use crate::recipe::Recipe;
use crate::stencil::IslandMode;
use clap::{Args, Parser, Subcommand, ValueEnum};
use say::Told;
use std::path::PathBuf;

/// What a command ends with: 0 done, 1 findings that make it unsafe to cut, 2 could not run.
pub type Exit = u8;

/// From a layered vector drawing to laser cut files for thin-foil shadow masks.
#[derive(Debug, Parser)]
#[command(name = "foilwright", version, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Drawing to cut file, one stencil per layer
    Cut(Box<cut::CutArgs>),
    /// Stencil rules only; writes no job
    Check(Box<check::CheckArgs>),
    /// Draw what a written job will do: the order of cutting and the heat
    Preview(preview::PreviewArgs),
    /// Read a written job back, rebuild the as-cut foil and compare it with the drawing
    Proof(Box<proof::ProofArgs>),
    /// Artwork, job and table to calibrate with: kerf, settings, pulses, focus, heat
    Coupon(coupon::CouponArgs),
    /// Readings or a micrograph to kerf, threshold, focus, settings or heat, with uncertainty
    Fit(fit::FitArgs),
    /// The process numbers of a recipe: pulse, spot, pitch, overlap, webs, heat, warnings
    Window(window::WindowArgs),
    /// List, print and check recipes
    Recipe(recipe::RecipeArgs),
}

impl Cli {
    /// Runs the command.
    ///
    /// # Errors
    /// Whatever kept it from running; the caller prints it and exits with 2.
    pub fn run(self) -> anyhow::Result<Exit> {
        match self.command {
            Command::Cut(args) => cut::run(*args),
            Command::Check(args) => check::run(*args),
            Command::Preview(args) => preview::run(args),
            Command::Proof(args) => proof::run(*args),
            Command::Coupon(args) => coupon::run(args),
            Command::Fit(args) => fit::run(args),
            Command::Window(args) => window::run(args),
            Command::Recipe(args) => recipe::run(args),
        }
    }
}

/// Flags that every command takes.
#[derive(Debug, Clone, Args)]
pub struct Common {
    /// Built-in recipe or TOML file
    #[arg(
        long,
        value_name = "NAME|FILE",
        default_value = "steel-25um",
        global = false
    )]
    pub recipe: String,
    /// Folder for the results (default: `foilwright-out` beside the input)
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print a machine-readable report on stdout
    #[arg(long)]
    pub json: bool,
    /// Print nothing but errors
    #[arg(long)]
    pub quiet: bool,
}

/// Overrides of the recipe that `cut`, `check`, `preview`, `proof` and `window` share.
#[derive(Debug, Clone, Args, Default)]
pub struct Overrides {
    /// Full width of the cut, such as 8um
    #[arg(long, value_name = "LENGTH", value_parser = length_um)]
    pub kerf: Option<f64>,
    /// Number of passes
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub passes: Option<u32>,
}

impl Common {
    /// The recipe with the overrides applied and checked.
    ///
    /// # Errors
    /// As [`Recipe::load`] and [`Recipe::check`].
    pub fn load_recipe(&self, overrides: &Overrides) -> anyhow::Result<Recipe> {
        let mut recipe = Recipe::load(&self.recipe)?;
        if let Some(kerf_um) = overrides.kerf {
            recipe.kerf.width_um = kerf_um;
        }
        if let Some(passes) = overrides.passes {
            recipe.passes.count = passes;
        }
        recipe.check("with the command line's overrides")?;
        Ok(recipe)
    }
    /// The folder for results: `--out`, or `foilwright-out` beside the input.
    pub fn out_beside(&self, input: &std::path::Path) -> PathBuf {
        self.out.clone().unwrap_or_else(|| {
            input
                .parent()
                .unwrap_or(std::path::Path::new(""))
                .join("foilwright-out")
        })
    }
}

/// Parses a length flag into micrometres.
pub(crate) fn length_um(text: &str) -> Result<f64, String> {
    crate::units::parse_length_um(text).map_err(|e| e.to_string())
}

/// What decides how a drawing is read; `cut`, `check` and `proof` share it.
#[derive(Debug, Clone, Args)]
pub struct DrawingFlags {
    /// Physical width of a drawing that has none, such as 20mm
    #[arg(long, value_name = "LENGTH", value_parser = length_um)]
    pub width: Option<f64>,
    /// The foil: `page`, `artwork` or a size such as 25x25mm
    #[arg(long, value_name = "SIZE")]
    pub sheet: Option<String>,
    /// What opens the foil: dark paint, or any paint that is not white
    #[arg(long, value_enum, default_value = "dark")]
    pub opens: OpensFlag,
    /// Folder with more fonts (repeatable)
    #[arg(long, value_name = "DIR")]
    pub fonts: Vec<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OpensFlag {
    Dark,
    AnyPaint,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum IslandsFlag {
    Tie,
    Split,
    Refuse,
}

impl DrawingFlags {
    /// The recipe with its overrides and `--sheet` written into it, checked.
    ///
    /// # Errors
    /// As [`Common::load_recipe`]; a size that cannot be read.
    pub fn recipe(&self, common: &Common, overrides: &Overrides) -> anyhow::Result<Recipe> {
        let mut recipe = common.load_recipe(overrides)?;
        if let Some(size) = &self.sheet {
            recipe.sheet.size.clone_from(size);
            recipe.check("with the command line's --sheet")?;
        }
        Ok(recipe)
    }
    /// How the drawing is to be read.
    pub fn read_options(&self, recipe: &Recipe) -> ReadOptions {
        ReadOptions {
            width_mm: self.width.map(|um| um * 1e-3),
            any_paint: self.opens == OpensFlag::AnyPaint,
            fonts: self.fonts.clone(),
            tolerance_um: recipe.tolerance_um(),
        }
    }
}

/// A drawing to be made into stencils; `cut` and `check` share it.
#[derive(Debug, Clone, Args)]
pub struct StencilFlags {
    /// The drawing, one group per layer
    #[arg(value_name = "ARTWORK.svg")]
    pub artwork: PathBuf,
    #[command(flatten)]
    pub common: Common,
    #[command(flatten)]
    overrides: Overrides,
    #[command(flatten)]
    drawing: DrawingFlags,
    /// Only this layer (repeatable)
    #[arg(long, value_name = "NAME")]
    layer: Vec<String>,
    /// What to do about islands: tie bars, complementary stencils, or list them and stop
    #[arg(long, value_enum, default_value = "tie")]
    islands: IslandsFlag,
    /// Write no job: show in one picture and a table what each of these kerfs does to the drawing,
    /// such as 6um,8um,10um
    #[arg(
        long,
        value_name = "LENGTHS",
        value_delimiter = ',',
        value_parser = length_um,
        conflicts_with = "kerf"
    )]
    pub compare_kerf: Vec<f64>,
}

impl StencilFlags {
    /// The options of a run with these flags; order and force as their defaults.
    ///
    /// # Errors
    /// As [`DrawingFlags::recipe`].
    pub fn options(&self) -> anyhow::Result<Options> {
        let recipe = self.drawing.recipe(&self.common, &self.overrides)?;
        Ok(Options {
            read: self.drawing.read_options(&recipe),
            recipe,
            layers: self.layer.clone(),
            islands: match self.islands {
                IslandsFlag::Tie => IslandMode::Tie,
                IslandsFlag::Split => IslandMode::Split,
                IslandsFlag::Refuse => IslandMode::Refuse,
            },
            order: OrderMode::Cool,
            force: false,
            rules_only: false,
        })
    }
}
