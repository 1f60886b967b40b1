//! `foilwright check`: the stencil rules only; writes no job.

use super::{ArtworkFlags, Common, Exit, Overrides, words};
use crate::prepare;
use anyhow::Context;
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The drawing, one group per layer
    #[arg(value_name = "ARTWORK.svg")]
    artwork: PathBuf,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    overrides: Overrides,
    #[command(flatten)]
    drawing: ArtworkFlags,
    /// Write the report to this file
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
}

pub fn run(args: CheckArgs) -> anyhow::Result<Exit> {
    let recipe = args
        .drawing
        .apply(args.common.load_recipe(&args.overrides)?)?;
    let mut options = args.drawing.options(recipe);
    options.rules_only = true;
    let run = prepare(&args.artwork, &options)?;
    if let Some(file) = &args.report {
        crate::output::write_file(file, &run.report.to_json())
            .with_context(|| format!("report {}", file.display()))?;
    }
    if args.common.json {
        print!("{}", String::from_utf8_lossy(&run.report.to_json()));
    } else if !args.common.quiet {
        words::summary(&run.report, &mut std::io::stdout())?;
    }
    Ok(Exit::from(run.report.blocked()))
}
