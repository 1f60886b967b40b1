//! A report in words for the terminal.

use crate::finding::{Finding, Severity};
use crate::heat::HeatResult;
use crate::report::{LayerReport, Report};
use crate::units::{plural, show_time_s, trim_number};
use std::io::{self, Write};

/// Findings with the numbers that list and picture share.
pub fn numbered<'a>(
    findings: impl IntoIterator<Item = &'a Finding>,
) -> impl Iterator<Item = (usize, &'a Finding)> {
    findings.into_iter().enumerate().map(|(i, f)| (i + 1, f))
}

/// Prints the whole report.
///
/// # Errors
/// When `out` cannot be written.
pub fn summary(report: &Report, out: &mut impl Write) -> io::Result<()> {
    writeln!(
        out,
        "{}: {} x {} mm, recipe {}, kerf {} um, {} pass{}",
        report.artwork,
        trim_number(report.size_mm[0], 3),
        trim_number(report.size_mm[1], 3),
        report.recipe,
        trim_number(report.kerf_um, 2),
        report.passes,
        if report.passes == 1 { "" } else { "es" }
    )?;
    writeln!(
        out,
        "  the laser cuts the {} side; scanner step {} um; outlines within {} um of the drawing",
        report.laser_side,
        trim_number(report.scanner_step_um, 2),
        trim_number(report.tolerance_um, 2)
    )?;
    if !report.fonts.is_empty() {
        writeln!(out, "  fonts: {}", report.fonts.join(", "))?;
    }
    list(&report.findings, out)?;
    for layer in &report.layers {
        layer_summary(layer, out)?;
    }
    Ok(())
}

/// Prints what a clearing job does.
///
/// # Errors
/// When `out` cannot be written.
pub fn clearing(report: &Report, plan: &crate::job::Plan, out: &mut impl Write) -> io::Result<()> {
    let numbers: Vec<String> = plan.clearing.iter().map(u32::to_string).collect();
    writeln!(
        out,
        "{}: clearing job of layer {}: path{} {} again, {} pass{}; cut {} mm, job {}",
        report.artwork,
        plan.layer,
        plural(numbers.len()),
        numbers.join(", "),
        plan.settings.passes,
        if plan.settings.passes == 1 { "" } else { "es" },
        trim_number(plan.timing.cut_length_mm, 1),
        show_time_s(plan.timing.job_s)
    )?;
    for layer in &report.layers {
        list(&layer.findings, out)?;
    }
    Ok(())
}

fn layer_summary(l: &LayerReport, out: &mut impl Write) -> io::Result<()> {
    write!(
        out,
        "layer {}: {} opening{}, {} island{}, {} tie bar{}",
        l.name,
        l.openings,
        plural(l.openings),
        l.islands_found,
        plural(l.islands_found),
        l.tie_bars,
        plural(l.tie_bars)
    )?;
    if !l.seams.is_empty() {
        write!(out, ", {} seam{}", l.seams.len(), plural(l.seams.len()))?;
    }
    if l.sheet_tabs > 0 {
        write!(out, "; sheet cut out last, held by {} tabs", l.sheet_tabs)?;
    }
    if l.job_s > 0.0 {
        write!(
            out,
            "; cut {} mm, job {} (beam on {}, jumps {}, pauses {}); no order takes less than {}",
            trim_number(l.cut_length_mm, 1),
            show_time_s(l.job_s),
            show_time_s(l.beam_on_s),
            show_time_s(l.jump_s),
            show_time_s(l.dwell_s),
            show_time_s(l.floor_s)
        )?;
    }
    writeln!(out)?;
    for line in l.heat.iter().flat_map(HeatResult::lines) {
        writeln!(out, "  {line}")?;
    }
    list(&l.findings, out)
}

/// At most this many findings of one code are printed; the report holds them all.
const SHOWN_PER_CODE: usize = 8;

fn list(findings: &[Finding], out: &mut impl Write) -> io::Result<()> {
    let mut shown: std::collections::BTreeMap<&str, usize> = std::collections::BTreeMap::new();
    for (number, f) in numbered(findings) {
        let count = shown.entry(&f.code).or_default();
        *count += 1;
        if *count > SHOWN_PER_CODE && f.severity != Severity::Blocking {
            continue;
        }
        let place = f.place();
        let place = if place.is_empty() {
            place
        } else {
            format!(" ({place})")
        };
        writeln!(
            out,
            "  {number:>3} {} [{}] {}{place}",
            f.severity.word(),
            f.code,
            f.message
        )?;
        if !f.hint.is_empty() {
            writeln!(out, "      hint: {}", f.hint)?;
        }
    }
    for (code, count) in shown {
        if count > SHOWN_PER_CODE {
            writeln!(
                out,
                "      ... {count} findings [{code}] in all; see the report",
            )?;
        }
    }
    Ok(())
}
