//! `--compare-kerf` of `cut` and `check`: one drawing at several kerfs, as a picture and a table.

use super::{Exit, StencilFlags};
use crate::Options;
use crate::compare::{Comparison, Event, Stencil, compare_kerfs};
use crate::output::OutputSet;
use crate::pictures::compare::compare_png;
use crate::units::trim_number;
use anyhow::{Context, bail};
use std::io::{self, Write};

/// More would not fit beside each other in a picture one can read.
const MOST_KERFS: usize = 6;
/// Changes of one kind that are listed one by one; the CSV and the picture hold them all.
const LISTED: usize = 5;

pub fn run(flags: &StencilFlags, options: &Options) -> anyhow::Result<Exit> {
    let kerfs = &flags.compare_kerf;
    if !(2..=MOST_KERFS).contains(&kerfs.len()) {
        bail!(
            "--compare-kerf takes 2 to {MOST_KERFS} kerfs separated by commas, such as 6um,8um,10um; got {}",
            kerfs.len()
        );
    }
    for kerf_um in kerfs {
        let mut recipe = options.recipe.clone();
        recipe.kerf.width_um = *kerf_um;
        recipe.check("with a kerf of --compare-kerf")?;
    }
    let comparison = compare_kerfs(&flags.artwork, options, kerfs)?;
    let stem = comparison
        .cases
        .first()
        .map(|c| c.run.stem.clone())
        .context("no kerf to compare")?;
    let mut files = OutputSet::new(&flags.common.out_beside(&flags.artwork));
    files.add(format!("{stem}.kerfs.png"), compare_png(&comparison));
    files.add(format!("{stem}.kerfs.csv"), csv_table(&comparison)?);
    let written = files.write(&[])?;
    if flags.common.json {
        say!("{}", serde_json::to_string_pretty(&comparison)?);
    } else if !flags.common.quiet {
        table(&comparison, &mut super::Told)?;
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(0)
}

/// A line of the table: its name and its value for one stencil.
type Row = (&'static str, fn(&Stencil) -> String);

const ROWS: [Row; 10] = [
    ("openings drawn", |s| s.openings_drawn.to_string()),
    ("openings parted by bars", |s| s.openings.to_string()),
    ("cut along their outline", |s| s.outlined.to_string()),
    ("cut by single lines only", |s| s.lines_only.to_string()),
    ("not cut at all", |s| s.lost.to_string()),
    ("single lines in all", |s| s.count(Event::Line).to_string()),
    ("webs under the limit", |s| {
        s.count(Event::NarrowWeb).to_string()
    }),
    ("pieces that nothing holds", |s| s.islands.to_string()),
    ("tie bars", |s| s.tie_bars.to_string()),
    ("path, one pass, mm", |s| trim_number(s.path_length_mm, 1)),
];

fn table(comparison: &Comparison, out: &mut impl Write) -> io::Result<()> {
    writeln!(
        out,
        "{}: each column is made for its own kerf; recipe {} states {} um",
        comparison.artwork,
        comparison.recipe,
        trim_number(comparison.recipe_kerf_um, 2)
    )?;
    let cells = |f: &dyn Fn(&crate::compare::Case) -> String| -> String {
        comparison
            .cases
            .iter()
            .map(|c| format!("{:>12}", f(c)))
            .collect()
    };
    let um = |v: f64| format!("{} um", trim_number(v, 2));
    writeln!(out, "{:<28}{}", "kerf", cells(&|c| um(c.kerf_um)))?;
    writeln!(
        out,
        "{:<28}{}",
        "limit for webs",
        cells(&|c| um(c.min_web_um))
    )?;
    writeln!(
        out,
        "{:<28}{}",
        "edge off, recipe's paths",
        cells(&|c| format!("{:+.2} um", c.edge_off_um))
    )?;
    for layer in comparison.layers() {
        writeln!(out, "layer {layer}")?;
        let of = |c: &crate::compare::Case, f: fn(&Stencil) -> String| {
            c.stencils
                .iter()
                .find(|s| s.layer == layer)
                .map_or_else(|| "-".to_owned(), f)
        };
        for (name, f) in ROWS {
            writeln!(out, "  {name:<26}{}", cells(&|c| of(c, f)))?;
        }
        for pair in comparison.cases.windows(2) {
            let found = |i: usize| pair[i].stencils.iter().find(|s| s.layer == layer);
            if let (Some(before), Some(after)) = (found(0), found(1)) {
                changes(before, after, [pair[0].kerf_um, pair[1].kerf_um], out)?;
            }
        }
    }
    Ok(())
}

fn changes(
    before: &Stencil,
    after: &Stencil,
    kerfs: [f64; 2],
    out: &mut impl Write,
) -> io::Result<()> {
    let [a, b] = kerfs.map(|k| trim_number(k, 2));
    let mut said = false;
    for event in Event::ALL {
        let new: Vec<_> = after
            .places
            .iter()
            .filter(|p| p.event == event && p.new)
            .collect();
        let gone = (before.count(event) + new.len()).saturating_sub(after.count(event));
        if new.is_empty() && gone == 0 {
            continue;
        }
        said = true;
        write!(out, "    {a} to {b} um, {}: ", event.words())?;
        match (new.len(), gone) {
            (n, 0) => writeln!(out, "{n} more")?,
            (0, g) => writeln!(out, "{g} fewer")?,
            (n, g) => writeln!(out, "{n} new, {g} gone")?,
        }
        for p in new.iter().take(LISTED) {
            write!(out, "      at ({:.3}, {:.3}) mm", p.at_mm[0], p.at_mm[1])?;
            if let Some(id) = &p.element_id {
                write!(out, ", element `{id}`")?;
            }
            if let Some(w) = p.width_um {
                write!(out, ", {} um wide", trim_number(w, 2))?;
            }
            writeln!(out)?;
        }
        if new.len() > LISTED {
            writeln!(out, "      ... and {} more", new.len() - LISTED)?;
        }
    }
    if !said {
        writeln!(out, "    {a} to {b} um: nothing changes but the paths")?;
    }
    Ok(())
}

/// One row a stencil and kerf.
fn csv_table(comparison: &Comparison) -> anyhow::Result<Vec<u8>> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record([
        "layer",
        "kerf_um",
        "min_web_um",
        "edge_off_um",
        "openings_drawn",
        "openings",
        "outlined",
        "lines_only",
        "lost",
        "single_lines",
        "narrow_webs",
        "loose_pieces",
        "tie_bars",
        "path_length_mm",
        "blocked",
    ])?;
    for c in &comparison.cases {
        for s in &c.stencils {
            csv.write_record([
                s.layer.clone(),
                c.kerf_um.to_string(),
                c.min_web_um.to_string(),
                c.edge_off_um.to_string(),
                s.openings_drawn.to_string(),
                s.openings.to_string(),
                s.outlined.to_string(),
                s.lines_only.to_string(),
                s.lost.to_string(),
                s.count(Event::Line).to_string(),
                s.count(Event::NarrowWeb).to_string(),
                s.islands.to_string(),
                s.tie_bars.to_string(),
                format!("{:.4}", s.path_length_mm),
                s.blocked.to_string(),
            ])?;
        }
    }
    Ok(csv.into_inner()?)
}
