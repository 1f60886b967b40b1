//! Flags to a command, errors to words, exit code; nothing else.

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = match foilwright::commands::Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            let _ = e.print();
            return ExitCode::from(if e.use_stderr() { 2 } else { 0 });
        }
    };
    match cli.run() {
        Ok(code) => ExitCode::from(code),
        Err(e) => {
            eprintln!("error: {e:#}");
            ExitCode::from(2)
        }
    }
}
