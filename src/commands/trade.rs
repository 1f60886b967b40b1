//! `cut --order cool --trade`: several limits of cool order, as a table and a plot, to choose one from.

use super::{Exit, StencilFlags, words};
use crate::Options;
use crate::output::OutputSet;
use crate::pictures::chart::{Chart, Mark, Series};
use crate::trade::{Row, SCHEMA, Trade, Trades, trade};
use crate::units::{show_time_s, trim_number};
use std::io::{self, Write};

pub fn run(flags: &StencilFlags, options: &Options) -> anyhow::Result<Exit> {
    let quiet = flags.common.quiet || flags.common.json;
    let bar = if quiet {
        indicatif::ProgressBar::hidden()
    } else {
        indicatif::ProgressBar::new(1)
    };
    bar.set_message("orders");
    let tell = |done: usize, of: usize| {
        bar.set_length(of as u64);
        bar.set_position(done as u64);
    };
    let trades = trade(&flags.artwork, options, tell)?;
    bar.finish_and_clear();
    let blocked = trades.run.report.blocked();
    let mut files = OutputSet::new(&flags.common.out_beside(&flags.artwork));
    for t in &trades.layers {
        let base = super::cut::base_name(&trades.run.stem, &t.layer);
        files.add(format!("{base}.trade.png"), chart(t).png());
    }
    if !trades.layers.is_empty() {
        let name = format!("{}.trade.csv", trades.run.stem);
        files.add(name, csv_table(&trades)?);
    }
    let written = files.write(&[])?;
    if flags.common.json {
        let report = serde_json::json!({
            "schema": SCHEMA,
            "artwork": trades.run.report.artwork,
            "recipe": trades.run.report.recipe,
            "layers": trades.layers,
        });
        say!("{}", serde_json::to_string_pretty(&report)?);
    } else if !flags.common.quiet {
        let out = &mut super::Told;
        if blocked {
            words::summary(&trades.run.report, out)?;
            writeln!(out, "stencils with findings that block are left out")?;
        }
        for t in &trades.layers {
            table(t, out)?;
        }
        if let Some(t) = trades.layers.first() {
            advice(t, out)?;
        }
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(Exit::from(blocked))
}

/// How much longer than the floor, percent.
fn over_percent(t: &Trade, row: &Row) -> f64 {
    100.0 * (row.job_s / t.floor_s - 1.0)
}

fn table(t: &Trade, out: &mut impl Write) -> io::Result<()> {
    writeln!(
        out,
        "layer {}: no order takes less than {}; heat on cells of {} um",
        t.layer,
        show_time_s(t.floor_s),
        trim_number(t.cell_um, 0)
    )?;
    writeln!(
        out,
        "  {:<10}{:>9}{:>16}{:>9}{:>14}{:>12}{:>11}",
        "order", "limit K", "memory peak K", "99 % K", "job", "over floor", "pauses"
    )?;
    for row in &t.rows {
        let k = |v: f64| trim_number(v, 1);
        writeln!(
            out,
            "  {:<10}{:>9}{:>16}{:>9}{:>14}{:>12}{:>11}{}",
            row.order,
            row.limit_k.map_or("-".to_owned(), k),
            k(row.memory_peak_k),
            k(row.memory_p99_k),
            show_time_s(row.job_s),
            format!("{:+.1} %", over_percent(t, row)),
            show_time_s(row.dwell_s),
            if row.chosen { "  this recipe" } else { "" }
        )?;
    }
    Ok(())
}

fn advice(t: &Trade, out: &mut impl Write) -> io::Result<()> {
    writeln!(
        out,
        "no job written; to take another limit, put `limit_k = {}` (your choice) under [heat] in the recipe",
        trim_number(1.4 * t.even_limit_k, 0)
    )?;
    writeln!(
        out,
        "  memory peak: the rise that earlier cuts left where the beam is; a finer look at one job: foilwright preview"
    )
}

fn chart(t: &Trade) -> Chart {
    let of = |order: &'static str| {
        let rows = t.rows.iter().filter(move |r| r.order == order);
        rows.map(|r| [r.job_s, r.memory_peak_k.max(0.1)])
            .collect::<Vec<_>>()
    };
    let chosen = (t.rows.iter().filter(|r| r.chosen))
        .map(|r| [r.job_s, r.memory_peak_k.max(0.1)])
        .collect();
    let peaks = || t.rows.iter().map(|r| r.memory_peak_k.max(0.1));
    let ends = [
        peaks().fold(f64::MAX, f64::min),
        peaks().fold(f64::MIN, f64::max),
    ];
    let mut chart = Chart {
        title: format!("Time against heat: layer {}", t.layer),
        notes: vec![
            format!(
                "numbers: limit of cool order, K; ring: this recipe; heat on cells of {} um",
                trim_number(t.cell_um, 0)
            ),
            "memory peak: the highest rise that earlier cuts left where the beam is".to_owned(),
        ],
        x_label: "job time, s".to_owned(),
        y_label: "memory peak, K".to_owned(),
        series: vec![
            Series::marks("cool order", Mark::Disc, of("cool")),
            Series::marks("travel order", Mark::Square, of("travel")),
            Series::marks("as drawn", Mark::Cross, of("artwork")),
            Series::line(
                "floor: no order takes less",
                ends.map(|k| [t.floor_s, k]).to_vec(),
            ),
            Series::marks("this recipe", Mark::Ring, chosen),
        ],
        log: [false, true],
        ..Chart::default()
    };
    for row in &t.rows {
        let at = [row.job_s, row.memory_peak_k.max(0.1)];
        // Where limits no longer matter the points lie on each other: one number tells.
        let taken = |(p, _): &([f64; 2], String)| {
            (p[0] / at[0] - 1.0).abs() < 0.01 && (p[1] / at[1] - 1.0).abs() < 0.1
        };
        if let Some(k) = row.limit_k
            && !chart.labels.iter().any(taken)
        {
            chart.labels.push((at, trim_number(k, 1)));
        }
    }
    chart
}

fn csv_table(trades: &Trades) -> anyhow::Result<Vec<u8>> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record([
        "layer",
        "order",
        "limit_k",
        "memory_peak_k",
        "memory_p99_k",
        "job_s",
        "floor_s",
        "dwell_s",
        "jump_s",
        "chosen",
    ])?;
    for t in &trades.layers {
        for r in &t.rows {
            csv.write_record([
                t.layer.clone(),
                r.order.to_owned(),
                r.limit_k.map_or(String::new(), |k| format!("{k:.3}")),
                format!("{:.3}", r.memory_peak_k),
                format!("{:.3}", r.memory_p99_k),
                format!("{:.4}", r.job_s),
                format!("{:.4}", t.floor_s),
                format!("{:.4}", r.dwell_s),
                format!("{:.4}", r.jump_s),
                r.chosen.to_string(),
            ])?;
        }
    }
    Ok(csv.into_inner()?)
}
