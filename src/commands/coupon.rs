//! `foilwright coupon`: calibration artwork, its job, and the table to fill in.

use super::{Common, Exit, Overrides, length_um};
use crate::job;
use crate::kerf::coupon::{
    Axis, Coupon, Knob, Threshold, focus_coupon, heat_coupon, kerf_coupon, ladder_coupon,
    matrix_coupon, pulse_coupon,
};
use crate::output::OutputSet;
use crate::recipe::SheetSize;
use crate::units::show_time_s;
use anyhow::{Context, anyhow};
use clap::{Args, Subcommand};
use std::path::Path;

#[derive(Debug, Args)]
pub struct CouponArgs {
    #[command(subcommand)]
    which: Which,
}

#[derive(Debug, Subcommand)]
enum Which {
    /// Openings and bars of several sizes: measures the kerf
    Kerf {
        #[command(flatten)]
        common: Common,
        #[command(flatten)]
        overrides: Overrides,
        /// Size of the coupon
        #[arg(long, value_name = "SIZE", default_value = "20x20mm", value_parser = size)]
        size: [f64; 2],
    },
    /// A grid over two settings (power in percent, speed in mm/s, rate in kHz, passes): finds the settings
    Matrix {
        #[command(flatten)]
        common: Common,
        #[command(flatten)]
        overrides: Overrides,
        /// Setting of the columns
        #[arg(long, value_name = "KEY=A..B", default_value = "power=10..40", value_parser = range)]
        columns: (Knob, f64, f64),
        /// Setting of the rows
        #[arg(long, value_name = "KEY=A..B", default_value = "speed=50..200", value_parser = range)]
        rows: (Knob, f64, f64),
        /// Setting that differs from panel to panel
        #[arg(long, value_name = "KEY=A..B", value_parser = range)]
        panels: Option<(Knob, f64, f64)>,
        /// Values of rows and columns
        #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u32).range(2..=20))]
        steps: u32,
        /// Number of panels
        #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(2..=10))]
        panel_steps: u32,
    },
    /// Rows of single pulses over pulse energy: measures spot and threshold
    Pulse {
        #[command(flatten)]
        common: Common,
        #[command(flatten)]
        overrides: Overrides,
        /// Lowest and highest power, percent
        #[arg(long, value_name = "A..B", default_value = "5..80", value_parser = two_numbers)]
        power: (f64, f64),
        /// Number of rows
        #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u32).range(3..=60))]
        rows: u32,
    },
    /// Lines at several lens heights, one job each: finds the focus
    Focus {
        #[command(flatten)]
        common: Common,
        #[command(flatten)]
        overrides: Overrides,
        /// How far to go up and down from the present height
        #[arg(long, value_name = "LENGTH", default_value = "0.6mm", value_parser = length_um)]
        reach: f64,
        /// Number of heights
        #[arg(long, value_name = "N", default_value_t = 9, value_parser = clap::value_parser!(u32).range(4..=40))]
        heights: u32,
    },
    /// A star of cuts around a temperature sensor: measures heat fraction and loss to the slide
    Heat {
        #[command(flatten)]
        common: Common,
        #[command(flatten)]
        overrides: Overrides,
    },
    /// A ladder of slotted webs read by their tint: measures heat fraction and loss without a sensor
    Ladder {
        #[command(flatten)]
        common: Common,
        #[command(flatten)]
        overrides: Overrides,
        /// Temperature at which a web takes on a mark that stays, such as 370C (default: first tint of low-carbon
        /// steel, an estimate)
        #[arg(long, value_name = "TEMPERATURE", value_parser = celsius)]
        mark: Option<f64>,
        /// Half-width of the 95 % interval of that temperature (default: 80C; 10C with --mark)
        #[arg(long, value_name = "TEMPERATURE", value_parser = celsius)]
        mark_uncertainty: Option<f64>,
        /// How often the same rungs are cut
        #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=5))]
        repeats: u32,
    },
}

fn celsius(text: &str) -> Result<f64, String> {
    let form = || format!("`{text}` is no temperature in degrees Celsius: write it as 370C");
    let number = text.trim().strip_suffix('C').ok_or_else(form)?;
    (number.trim().parse::<f64>().ok())
        .filter(|v| v.is_finite() && *v >= 0.0)
        .ok_or_else(form)
}

/// What the flags say of the mark, or what is known of the material's tint.
fn threshold(
    material: &str,
    mark: Option<f64>,
    uncertainty: Option<f64>,
) -> anyhow::Result<Threshold> {
    let known = (material == "low-carbon-steel").then_some(Threshold::STEEL);
    match (mark, known) {
        (Some(celsius), _) => Ok(Threshold {
            celsius,
            uncertainty: uncertainty.unwrap_or(10.0),
        }),
        (None, Some(t)) => Ok(Threshold {
            uncertainty: uncertainty.unwrap_or(t.uncertainty),
            ..t
        }),
        (None, None) => Err(anyhow!(
            "no temperature of the first tint is known for {material}: give one with --mark 320C and --mark-uncertainty 40C, or put temperature-indicating lacquer on the webs and give the temperature that it states"
        )),
    }
}

fn size(text: &str) -> Result<[f64; 2], String> {
    match SheetSize::parse(text) {
        Some(SheetSize::Fixed {
            width_mm,
            height_mm,
        }) => Ok([width_mm, height_mm]),
        _ => Err(format!("`{text}` is no size: write it as 20x20mm")),
    }
}

fn two_numbers(text: &str) -> Result<(f64, f64), String> {
    let form = || format!("`{text}` is no range: write it as 10..40");
    let (a, b) = text.split_once("..").ok_or_else(form)?;
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    match (number(a), number(b)) {
        (Some(a), Some(b)) if a > 0.0 && b > a => Ok((a, b)),
        (Some(_), Some(_)) => Err(format!("`{text}`: the range must rise from above zero")),
        _ => Err(form()),
    }
}

fn range(text: &str) -> Result<(Knob, f64, f64), String> {
    let (key, values) = text
        .split_once('=')
        .ok_or_else(|| format!("`{text}`: write it as power=10..40"))?;
    let knob = Knob::ALL
        .iter()
        .find(|(name, _)| *name == key.trim())
        .ok_or_else(|| format!("`{key}` cannot be varied; known: power, speed, rate, passes"))?
        .1;
    let (a, b) = two_numbers(values)?;
    Ok((knob, a, b))
}

pub fn run(args: CouponArgs) -> anyhow::Result<Exit> {
    let (common, overrides) = match &args.which {
        Which::Kerf {
            common, overrides, ..
        }
        | Which::Matrix {
            common, overrides, ..
        }
        | Which::Pulse {
            common, overrides, ..
        }
        | Which::Focus {
            common, overrides, ..
        }
        | Which::Heat { common, overrides }
        | Which::Ladder {
            common, overrides, ..
        } => (common, overrides),
    };
    let recipe = common.load_recipe(overrides)?;
    let coupon = match &args.which {
        Which::Kerf { size, .. } => kerf_coupon(&recipe, *size)?,
        Which::Matrix {
            columns,
            rows,
            panels,
            steps,
            panel_steps,
            ..
        } => {
            let axis = |(k, a, b): &(Knob, f64, f64), n: u32| Axis::between(*k, *a, *b, n as usize);
            let panels = panels.as_ref().map(|p| axis(p, *panel_steps));
            matrix_coupon(
                &recipe,
                &axis(columns, *steps),
                &axis(rows, *steps),
                panels.as_ref(),
            )?
        }
        Which::Pulse { power, rows, .. } => {
            pulse_coupon(&recipe, power.0, power.1, *rows as usize)?
        }
        Which::Focus { reach, heights, .. } => {
            focus_coupon(&recipe, reach * 1e-3, *heights as usize)?
        }
        Which::Heat { .. } => heat_coupon(&recipe)?,
        Which::Ladder {
            mark,
            mark_uncertainty,
            repeats,
            ..
        } => {
            let threshold = threshold(&recipe.foil.material, *mark, *mark_uncertainty)?;
            ladder_coupon(&recipe, threshold, *repeats as usize)?
        }
    };
    write(&coupon, &recipe, common)?;
    Ok(0)
}

fn write(coupon: &Coupon, recipe: &crate::recipe::Recipe, common: &Common) -> anyhow::Result<()> {
    let mut files = OutputSet::new(&common.out_beside(Path::new("")));
    files.add(format!("{}.svg", coupon.name), coupon.svg());
    files.add(format!("{}.csv", coupon.name), coupon.table.as_bytes());
    let mut seconds = 0.0;
    for (part, (plan, used)) in coupon.jobs.iter().zip(coupon.plans(recipe)?) {
        seconds += plan.timing.job_s;
        for format in ["rs274", "plan"] {
            let writer = job::writer(format).context("format without a writer")?;
            let bytes = writer
                .write(&plan, &used)
                .map_err(|e| anyhow!("{}: {e}", coupon.name))?;
            files.add(
                format!("{}{}.{}", coupon.name, part.suffix, writer.extension()),
                bytes,
            );
        }
    }
    let written = files.write(&[])?;
    if common.json {
        let json = serde_json::json!({
            "schema": "foilwright.coupon/1",
            "coupon": coupon.name,
            "size_mm": coupon.size_mm,
            "job_s": seconds,
            "notes": coupon.notes,
            "jobs": coupon.jobs.iter().map(|j| serde_json::json!({
                "suffix": j.suffix,
                "pulse_rate_khz": j.pulse_rate_khz,
                "before": j.before,
            })).collect::<Vec<_>>(),
            "files": written.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        });
        say!("{}", serde_json::to_string_pretty(&json)?);
    } else if !common.quiet {
        say!(
            "{}: {:.2} x {:.2} mm, {} features, {}; the job follows the drawn edges (no kerf taken off)",
            coupon.name,
            coupon.size_mm[0],
            coupon.size_mm[1],
            coupon.marks.len(),
            show_time_s(seconds)
        );
        for n in &coupon.notes {
            say!("  {n}");
        }
        for j in coupon.jobs.iter().filter(|j| !j.before.is_empty()) {
            say!("  before {}{}: {}", coupon.name, j.suffix, j.before);
        }
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(())
}
