//! `foilwright check`: the stencil rules only; writes no job.

use super::{Exit, StencilFlags, compare, words};
use crate::prepare;
use anyhow::Context;
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub struct CheckArgs {
    #[command(flatten)]
    stencil: StencilFlags,
    /// Write the report to this file
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
}

pub fn run(args: CheckArgs) -> anyhow::Result<Exit> {
    let mut options = args.stencil.options()?;
    options.rules_only = true;
    if !args.stencil.compare_kerf.is_empty() {
        return compare::run(&args.stencil, &options);
    }
    let run = prepare(&args.stencil.artwork, &options)?;
    if let Some(file) = &args.report {
        crate::output::write_file(file, &run.report.to_json())
            .with_context(|| format!("report {}", file.display()))?;
    }
    if args.stencil.common.json {
        say_on!("{}", String::from_utf8_lossy(&run.report.to_json()));
    } else if !args.stencil.common.quiet {
        words::summary(&run.report, &mut super::Told)?;
    }
    Ok(Exit::from(run.report.blocked()))
}
