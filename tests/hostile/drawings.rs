//! Drawings made by others: a public test suite for SVG and a large clip-art collection.
//!
//! `tests/outside/install.sh` fetches the clip art (Debian's openclipart-svg, public domain) into `.outside`;
//! the suite lies beside the project, or where `FOILWRIGHT_SVG_SUITE` says.

use super::harness::{cpu_seconds, peak_mb};
use super::targets::run_drawing;
use crate::support::svgs;
use std::collections::BTreeMap;
use std::panic::catch_unwind;
use std::path::{Path, PathBuf};

/// Larger drawings are read and composited, but not taken further: stars of a thousand islands and engravings
/// take minutes each.
const MOST_VERTICES: usize = 20_000;

/// Runs all drawings of a folder; answers how many became a job or a stencil with findings, and how many
/// were refused.
fn all(folder: &Path, least: usize) {
    let mut files = Vec::new();
    svgs(folder, &mut files);
    files.sort();
    assert!(
        files.len() >= least,
        "{} drawings in {}",
        files.len(),
        folder.display()
    );
    let part = std::env::var("FOILWRIGHT_DRAWINGS")
        .ok()
        .and_then(|v| v.parse().ok())
        .unwrap_or(files.len());
    let step = files.len().div_ceil(part).max(1);
    let mut outcomes: BTreeMap<&str, usize> = BTreeMap::new();
    let mut codes: BTreeMap<String, usize> = BTreeMap::new();
    let mut slow = Vec::new();
    let mut failed = Vec::new();
    for (done, file) in files.iter().step_by(step).enumerate() {
        if done % 200 == 0 {
            println!("{done} done, {} failed, {} slow", failed.len(), slow.len());
        }
        let busy = cpu_seconds();
        // Choice 2: a width for drawings without size, tie bars, least travel.
        match catch_unwind(|| run_drawing(file, 2, MOST_VERTICES)) {
            Ok(outcome) => {
                let kind = if outcome.starts_with("refused") {
                    "refused"
                } else if outcome.contains("\"proof ") {
                    "job with remarks of the proof"
                } else {
                    "read"
                };
                *outcomes.entry(kind).or_default() += 1;
                let list = outcome
                    .trim_start_matches("refused ")
                    .trim_matches(['{', '}']);
                for code in list.split(", ") {
                    *codes.entry(code.trim_matches('"').to_owned()).or_default() += 1;
                }
            }
            Err(why) => {
                let words = why.downcast_ref::<String>().cloned().unwrap_or_default();
                println!("FAILED {}: {words}", file.display());
                failed.push((file.clone(), words));
            }
        }
        let took = cpu_seconds() - busy;
        if took > 10.0 {
            println!("SLOW {}: {took:.1} CPU s", file.display());
            slow.push((file.clone(), took));
        }
    }
    println!(
        "{outcomes:?}\n{codes:#?}\nslow: {slow:?}\npeak memory {:?} MB",
        peak_mb()
    );
    assert!(failed.is_empty(), "{failed:#?}");
    assert!(slow.is_empty(), "{slow:#?}");
}

#[test]
#[ignore = "slow: thousands of drawings"]
fn slow_clip_art_through_cut() {
    all(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join(".outside/deb"),
        4000,
    );
}

#[test]
#[ignore = "slow: needs the suite of drawings beside the project"]
fn slow_svg_suite_through_cut() {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/svg-suite");
    all(
        &std::env::var_os("FOILWRIGHT_SVG_SUITE").map_or(beside, PathBuf::from),
        500,
    );
}
