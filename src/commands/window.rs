//! `foilwright window`: the process numbers behind a recipe.

use super::{Common, Exit, Overrides};
use crate::beam::window::{Window, knobs};
use crate::output::OutputSet;
use crate::pictures::chart::{Chart, Series};
use crate::recipe::Recipe;
use anyhow::{Context, anyhow, bail};
use clap::Args;
use std::path::Path;

/// Steps of a sweep, ends included.
const STEPS: usize = 21;

#[derive(Debug, Args)]
pub struct WindowArgs {
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    overrides: Overrides,
    /// Sweep one recipe key, such as power_percent=10..40; prints a table and draws a plot
    #[arg(long, value_name = "KEY=A..B")]
    vary: Option<String>,
}

pub fn run(args: WindowArgs) -> anyhow::Result<Exit> {
    let recipe = args.common.load_recipe(&args.overrides)?;
    let window = Window::of(&recipe);
    let sweep = match &args.vary {
        Some(text) => Some(Sweep::of(&recipe, text)?),
        None => None,
    };
    if args.common.json {
        let mut value = serde_json::json!({
            "schema": "foilwright.window/1",
            "recipe": recipe.name,
            "window": window,
            "knobs": knobs(&recipe),
        });
        if let Some(s) = &sweep {
            value["sweep"] = serde_json::json!({
                "key": s.key,
                "values": s.points.iter().map(|(v, _)| v).collect::<Vec<_>>(),
                "windows": s.points.iter().map(|(_, w)| w).collect::<Vec<_>>(),
            });
        }
        say!("{}", serde_json::to_string_pretty(&value)?);
    } else if !args.common.quiet {
        print(&recipe, &window);
        if let Some(s) = &sweep {
            s.print();
        }
    }
    if let Some(s) = sweep {
        let out = args.common.out_beside(Path::new(""));
        let mut files = OutputSet::new(&out);
        files.add(format!("window-{}.png", s.key), s.picture(&recipe));
        for path in files.write(&[])? {
            if !args.common.quiet && !args.common.json {
                say!("wrote {}", path.display());
            }
        }
    }
    Ok(0)
}

const UNKNOWN: &str = "not predicted: calibrate (foilwright coupon pulse, coupon matrix)";

fn print(recipe: &Recipe, w: &Window) {
    let row = |name: &str, text: String| say!("  {name:28} {text}");
    let um = |v: Option<f64>| v.map_or(UNKNOWN.to_owned(), |v| format!("{v:.2} um"));
    say!(
        "process window of recipe {}: {} {} um, {} pass{}",
        recipe.name,
        recipe.foil.material,
        recipe.foil.thickness_um,
        recipe.passes.count,
        if recipe.passes.count == 1 { "" } else { "es" }
    );
    say!("pulse");
    row(
        "mean power",
        format!(
            "{:.3} W ({} % of {} W)",
            w.power_w, recipe.laser.power_percent, recipe.laser.rated_power_w
        ),
    );
    row(
        "pulse energy",
        format!(
            "{:.2} uJ at {} kHz",
            w.pulse_energy_uj, recipe.laser.pulse_rate_khz
        ),
    );
    row(
        "peak power",
        format!(
            "{:.0} W rectangular, {:.0} W Gaussian in time",
            w.peak_power_rectangular_w, w.peak_power_gaussian_w
        ),
    );
    say!("spot");
    row(
        "diameter at focus",
        format!(
            "{:.2} um ({})",
            w.focus_diameter_um,
            if w.focus_is_fitted {
                "fitted"
            } else {
                "from the lens, an ideal; fit a pulse coupon"
            }
        ),
    );
    row(
        "diameter on the foil",
        format!("{:.2} um", w.spot_diameter_um),
    );
    row("Rayleigh range", format!("{:.1} um", w.rayleigh_range_um));
    row("peak fluence", format!("{:.2} J/cm2", w.peak_fluence_j_cm2));
    say!("line");
    row("pulse pitch", format!("{:.3} um", w.pulse_pitch_um));
    row("overlap", format!("{:.1} %", w.overlap * 100.0));
    row(
        "pulses per spot",
        format!(
            "{:.2}; {:.2} as a sum of fluence on the axis",
            w.pulses_per_spot, w.effective_pulses
        ),
    );
    row(
        "energy per length",
        format!("{:.2} mJ/mm, all passes", w.energy_per_length_mj_mm),
    );
    say!("heat");
    row(
        "diffusion length per pulse",
        format!("{:.2} um (sqrt of 4 alpha tau)", w.diffusion_length_um),
    );
    row(
        "heat through the foil",
        format!(
            "{:.2} us; pulses every {:.2} us",
            w.through_foil_time_us, w.pulse_period_us
        ),
    );
    say!("cut");
    row("kerf in the recipe", format!("{:.2} um", w.kerf_um));
    row("width at the exit", um(w.exit_width_um));
    row("width at the entry", um(w.entry_width_um));
    row(
        "taper, entry minus exit",
        format!(
            "{:.2} um, half-angle {:.2} deg ({})",
            w.taper_um,
            w.taper_half_angle_deg,
            if w.taper_is_predicted {
                "predicted"
            } else {
                "as the recipe says"
            }
        ),
    );
    row(
        "pulse energy over threshold",
        format!(
            "{:.3} ({})",
            w.energy_over_through,
            if w.energy_over_through_is_fitted {
                "fitted, cutting through"
            } else {
                "implied by kerf and spot"
            }
        ),
    );
    row(
        "width per pulse energy",
        format!("{:.2} % for 1 %", w.width_sensitivity),
    );
    match (w.narrowest_um, w.scallop_um, w.web_um) {
        (Some(n), Some(c), _) => row(
            "scallop",
            format!("{c:.2} um each side, narrowest {n:.2} um"),
        ),
        (_, _, Some(web)) => {
            row("webs left by one pass", format!("{web:.2} um"));
            row(
                "still bridged, all passes",
                format!(
                    "{:.0} % of pulse periods with pulses at random; {}",
                    w.bridge_chance_random * 100.0,
                    if w.web_ideal_stagger_um > 0.0 {
                        format!(
                            "webs of {:.2} um with ideal stagger",
                            w.web_ideal_stagger_um
                        )
                    } else {
                        "none with ideal stagger, which a free-running laser does not keep"
                            .to_owned()
                    }
                ),
            );
        }
        _ => {}
    }
    let limit = |v: Option<f64>, unit: &str| {
        v.map_or("not known: see the source's data sheet".to_owned(), |v| {
            format!("{v} {unit}")
        })
    };
    row(
        "largest pulse energy",
        limit(recipe.beam.max_pulse_energy_uj, "uJ"),
    );
    row(
        "lowest pulse rate",
        limit(recipe.beam.min_pulse_rate_khz, "kHz"),
    );
    say!("what each knob moves, in percent");
    say!(
        "  {:20}{:>10}{:>10}{:>10}{:>10}{:>12}{:>14}",
        "",
        "E pulse",
        "fluence",
        "pitch",
        "N eff",
        "E / length",
        "exit width"
    );
    for k in knobs(recipe) {
        say!(
            "  {:20}{:>+10.1}{:>+10.1}{:>+10.1}{:>+10.1}{:>+12.1}{:>14}",
            k.key,
            k.pulse_energy,
            k.peak_fluence,
            k.pulse_pitch,
            k.effective_pulses,
            k.energy_per_length,
            k.exit_width
                .map_or("not predicted".to_owned(), |v| format!("{v:+.1}"))
        );
    }
    for line in &w.warnings {
        say!("warning: {line}");
    }
}

struct Sweep {
    key: String,
    points: Vec<(f64, Window)>,
}

impl Sweep {
    /// Reads `KEY=A..B` and computes the window at even steps between.
    fn of(recipe: &Recipe, text: &str) -> anyhow::Result<Sweep> {
        let form = || anyhow!("--vary {text}: write it as KEY=A..B, such as power_percent=10..40");
        let (key, range) = text.split_once('=').ok_or_else(form)?;
        let (a, b) = range.split_once("..").ok_or_else(form)?;
        let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
        let (a, b) = (number(a).ok_or_else(form)?, number(b).ok_or_else(form)?);
        if a >= b {
            bail!("--vary {text}: {a} must be less than {b}");
        }
        let key = key.trim().rsplit('.').next().unwrap_or_default();
        let spec = Recipe::SECTIONS
            .iter()
            .filter(|(s, _, _)| ["laser", "scan", "passes", "kerf", "beam", "foil"].contains(s))
            .flat_map(|(_, _, keys)| keys.iter())
            .find(|k| k.key == key && k.bounds.is_some())
            .with_context(|| {
                format!("--vary {text}: `{key}` is no number of [laser], [scan], [passes], [kerf], [beam] or [foil]; see `foilwright recipe show`")
            })?;
        let whole = matches!(
            recipe.get(spec.section, spec.key),
            Some(toml::Value::Integer(_))
        );
        let mut points: Vec<(f64, Window)> = Vec::new();
        for i in 0..STEPS {
            let mut v = a + (b - a) * i as f64 / (STEPS - 1) as f64;
            if whole {
                v = v.round();
                if points.last().is_some_and(|p| p.0 == v) {
                    continue;
                }
            }
            let mut r = recipe.clone();
            let value = if whole {
                toml::Value::Integer(v as i64)
            } else {
                toml::Value::Float(v)
            };
            r.set(spec.section, spec.key, &value)
                .map_err(|e| anyhow!("--vary {text}: {key} takes {e}"))?;
            r.check("with the values of --vary")?;
            points.push((v, Window::of(&r)));
        }
        Ok(Sweep {
            key: key.to_owned(),
            points,
        })
    }
    fn print(&self) {
        say!(
            "\n{:>16}{:>11}{:>11}{:>10}{:>9}{:>11}{:>16}",
            self.key,
            "E uJ",
            "J/cm2",
            "pitch um",
            "N eff",
            "mJ/mm",
            "exit width um"
        );
        for (v, w) in &self.points {
            say!(
                "{v:>16.4}{:>11.2}{:>11.2}{:>10.3}{:>9.2}{:>11.2}{:>16}",
                w.pulse_energy_uj,
                w.peak_fluence_j_cm2,
                w.pulse_pitch_um,
                w.effective_pulses,
                w.energy_per_length_mj_mm,
                w.exit_width_um
                    .map_or("not predicted".to_owned(), |v| format!("{v:.2}"))
            );
        }
    }
    fn picture(&self, recipe: &Recipe) -> Vec<u8> {
        let series = |f: &dyn Fn(&Window) -> Option<f64>| -> Vec<[f64; 2]> {
            self.points
                .iter()
                .filter_map(|(v, w)| f(w).map(|y| [*v, y]))
                .collect()
        };
        let mut lines = vec![
            Series::line("pulse pitch", series(&|w| Some(w.pulse_pitch_um))),
            Series::line("kerf in the recipe", series(&|w| Some(w.kerf_um))),
        ];
        let exit = series(&|w| w.exit_width_um);
        let mut notes = vec![format!("recipe {}", recipe.name)];
        if exit.is_empty() {
            notes.push("cut width not predicted: calibrate".to_owned());
        } else {
            lines.push(Series::line("width at the exit", exit));
        }
        let entry = series(&|w| w.entry_width_um);
        if !entry.is_empty() {
            lines.push(Series::line("width at the entry", entry));
        }
        Chart {
            title: format!("Process window over {}", self.key),
            notes,
            x_label: self.key.clone(),
            y_label: "width, um".to_owned(),
            series: lines,
            band: None,
            ..Chart::default()
        }
        .png()
    }
}
