//! Writes a large drawing to standard output, for timing by hand:
//! `openings COUNT [VERTICES [PER_PATH]]` or `comb VERTICES`.

#[path = "../benches/drawings/mod.rs"]
mod drawings;

use std::io::Write;

fn main() -> std::io::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize, otherwise: usize| {
        words.get(i).map_or(Some(otherwise), |w| {
            w.parse::<usize>().ok().filter(|n| *n > 0)
        })
    };
    let text = match (words.first().map(String::as_str), number(1, 40_000)) {
        (Some("openings"), Some(count)) => match (number(2, 32), number(3, 1)) {
            (Some(vertices), Some(per_path)) => drawings::openings(count, vertices, per_path),
            _ => return usage(),
        },
        (Some("comb"), Some(vertices)) => drawings::comb(vertices),
        _ => return usage(),
    };
    std::io::stdout().write_all(text.as_bytes())
}

fn usage() -> std::io::Result<()> {
    eprintln!("usage: drawing openings COUNT [VERTICES [PER_PATH]] | drawing comb VERTICES");
    std::process::exit(2)
}
