//! Flags to a command, errors to words, exit code; nothing else.

use clap::Parser;
use std::io::Write;
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
            // A closed standard error is no reason for a second error.
            let _ = writeln!(std::io::stderr(), "error: {e:#}");
            ExitCode::from(2)
        }
    }
}
