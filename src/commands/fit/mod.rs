//! `foilwright fit`: readings or a micrograph to kerf, threshold, focus, settings or heat, with uncertainty.

mod picture;
mod words;

use super::{Exit, length_um};
use crate::kerf::fit::recipe_lines::{into_recipe, to_toml};
use crate::kerf::fit::{Kind, RecipeLine, Table, focus, heat, kerf, matrix, pulse, tint};
use crate::output::{OutputSet, write_file};
use crate::pictures::chart::{Chart, Mark, Series};
use anyhow::{Context, anyhow, bail};
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub struct FitArgs {
    /// The filled-in table of a coupon (kerf, pulse, matrix, focus, heat or ladder; told by its columns)
    #[arg(value_name = "READINGS.csv", required_unless_present = "picture")]
    readings: Option<PathBuf>,
    /// Measure the slot in a microscope picture instead
    #[arg(
        long,
        value_name = "PHOTO.png",
        requires = "scale",
        conflicts_with = "readings"
    )]
    picture: Option<PathBuf>,
    /// Scale of the picture, such as 0.42um/px
    #[arg(long, value_name = "LENGTH/px", value_parser = um_per_px)]
    scale: Option<f64>,
    /// Plan of the job on the picture: names the paths where metal bridges the slot, to be recut
    #[arg(long, value_name = "JOB.plan.json", requires_all = ["picture", "at"])]
    plan: Option<PathBuf>,
    /// Job position of the picture's middle, such as 3.2mm,-1.5mm
    #[arg(long, value_name = "X,Y", value_parser = position_mm, allow_hyphen_values = true, requires = "plan")]
    at: Option<[f64; 2]>,
    /// Degrees by which the job's x axis is turned counter-clockwise in the picture
    #[arg(
        long,
        value_name = "DEGREES",
        default_value = "0",
        allow_hyphen_values = true,
        requires = "plan"
    )]
    turned: f64,
    /// Kerf readings of the other side of the same coupon, for the taper
    #[arg(long, value_name = "READINGS.csv", conflicts_with = "picture")]
    other_side: Option<PathBuf>,
    /// One step of the microscope's reading (type B uncertainty of the kerf)
    #[arg(long, value_name = "LENGTH", default_value = "0.1um", value_parser = length_um)]
    resolution: f64,
    /// How far off the seen width of an edge pair may be (type B uncertainty of the kerf)
    #[arg(long, value_name = "LENGTH", default_value = "0.2um", value_parser = length_um)]
    edge: f64,
    /// Write the result into this recipe; its comments stay
    #[arg(long, value_name = "RECIPE.toml", conflicts_with = "picture")]
    into: Option<PathBuf>,
    /// Folder for the plot (default: `foilwright-out` beside the readings)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print a machine-readable report on stdout
    #[arg(long)]
    json: bool,
    /// Print nothing but errors
    #[arg(long)]
    quiet: bool,
}

fn um_per_px(text: &str) -> Result<f64, String> {
    let length = text
        .trim()
        .strip_suffix("/px")
        .ok_or_else(|| format!("`{text}` is no scale: write it as 0.42um/px"))?;
    match length_um(length)? {
        v if v > 0.0 => Ok(v),
        _ => Err("the scale must be greater than zero".to_owned()),
    }
}

fn position_mm(text: &str) -> Result<[f64; 2], String> {
    let (x, y) = text
        .split_once(',')
        .ok_or_else(|| format!("`{text}` is no position: write it as 3.2mm,-1.5mm"))?;
    Ok([length_um(x.trim())? * 1e-3, length_um(y.trim())? * 1e-3])
}

/// What a fit came to.
struct Outcome {
    /// For people.
    words: String,
    /// For machines.
    json: serde_json::Value,
    lines: Vec<RecipeLine>,
    chart: Chart,
}

pub fn run(args: FitArgs) -> anyhow::Result<Exit> {
    if let (Some(path), Some(scale)) = (&args.picture, args.scale) {
        return picture::run(&args, path, scale);
    }
    let path = args
        .readings
        .as_ref()
        .context("name a table of readings, or a picture with --picture")?;
    let outcome = fit_table(path, &args)?;
    // The recipe is judged before anything is written.
    let recipe = match &args.into {
        Some(_) if outcome.lines.is_empty() => {
            bail!(
                "{}: the readings hold nothing for a recipe; nothing was written",
                path.display()
            )
        }
        Some(file) => {
            let text = std::fs::read_to_string(file)
                .with_context(|| format!("cannot read the recipe {}", file.display()))?;
            Some((file, into_recipe(&text, &name_of(file), &outcome.lines)?))
        }
        None => None,
    };
    let mut files = OutputSet::new(&out_folder(&args, path));
    files.add(format!("{}.fit.png", stem_of(path)), outcome.chart.png());
    let mut written = files.write(&[])?;
    if let Some((file, text)) = recipe {
        write_file(file, text.as_bytes())?;
        written.push(file.clone());
    }
    if args.json {
        let mut json = outcome.json;
        json["recipe_lines"] = serde_json::to_value(&outcome.lines)?;
        json["files"] = written
            .iter()
            .map(|p| p.display().to_string())
            .collect::<Vec<_>>()
            .into();
        say!("{}", serde_json::to_string_pretty(&json)?);
    } else if !args.quiet {
        say_on!("{}", outcome.words);
        if !outcome.lines.is_empty() {
            say!("\nfor the recipe:\n{}", to_toml(&outcome.lines));
        }
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(0)
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}
fn stem_of(path: &Path) -> String {
    path.file_stem().map_or_else(
        || "readings".to_owned(),
        |n| n.to_string_lossy().into_owned(),
    )
}
fn out_folder(args: &FitArgs, input: &Path) -> PathBuf {
    args.out.clone().unwrap_or_else(|| {
        input
            .parent()
            .unwrap_or(Path::new(""))
            .join("foilwright-out")
    })
}

fn load(path: &Path) -> anyhow::Result<Table> {
    let bytes = std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))?;
    Ok(Table::parse(&bytes, &path.display().to_string())?)
}

fn fit_table(path: &Path, args: &FitArgs) -> anyhow::Result<Outcome> {
    let table = load(path)?;
    let kind = Kind::of(&table)?;
    if args.other_side.is_some() && kind != Kind::Kerf {
        bail!(
            "--other-side goes with a kerf table; {} is none",
            path.display()
        );
    }
    let whose = |e: String| anyhow!("{}: {e}", path.display());
    Ok(match kind {
        Kind::Kerf => fit_kerf(path, &table, args)?,
        Kind::Pulse => {
            let (craters, unmarked) = pulse::read(&table)?;
            let fit = pulse::fit(&craters, unmarked).map_err(whose)?;
            let (w, e) = (fit.spot_radius_um.value, fit.threshold_energy_uj.value);
            let s = fit.incubation.map_or(1.0, |s| s.value);
            let one = |n: f64| e * crate::beam::incubation_factor(n, s);
            let points = craters
                .iter()
                .map(|c| {
                    [
                        libm::log10(c.energy_uj / one(c.pulses) * e),
                        c.diameter_um.powi(2),
                    ]
                })
                .collect::<Vec<_>>();
            let last = points.iter().map(|p| p[0]).fold(f64::MIN, f64::max);
            let ln10 = std::f64::consts::LN_10;
            Outcome {
                words: words::pulse(&fit),
                json: tagged("pulse", serde_json::to_value(&fit)?),
                lines: pulse::recipe_lines(&fit),
                chart: Chart {
                    title: "Craters: squared diameter over pulse energy".into(),
                    notes: vec![format!("spot radius {w:.2} um, threshold {e:.2} uJ")],
                    x_label: if fit.incubation.is_some() {
                        "log10 of pulse energy / uJ, brought to one pulse by the fitted incubation"
                            .into()
                    } else {
                        "log10 of pulse energy / uJ".into()
                    },
                    y_label: "diameter squared, um2".into(),
                    series: vec![
                        Series::marks("craters", Mark::Disc, points),
                        Series::line(
                            "fit",
                            vec![
                                [libm::log10(e), 0.0],
                                [last, 2.0 * w * w * (last * ln10 - libm::log(e))],
                            ],
                        ),
                    ],
                    band: Some(("fit, 95 %".into(), fit.band)),
                    ..Chart::default()
                },
            }
        }
        Kind::Focus => {
            let readings = focus::read(&table)?;
            let fit = focus::fit(&readings).map_err(whose)?;
            let line = fit.curve.iter().map(|c| [c[0], c[2]]).collect();
            let band = fit.curve.iter().map(|c| [c[0], c[1], c[3]]).collect();
            Outcome {
                words: words::focus(&fit),
                json: tagged("focus", serde_json::to_value(&fit)?),
                lines: Vec::new(),
                chart: Chart {
                    title: "Focus: line width over lens height".into(),
                    notes: vec![format!(
                        "best height {:.3} mm, width within a tenth over +-{:.3} mm",
                        fit.best_height_mm.value, fit.depth_mm
                    )],
                    x_label: "lens height, mm".into(),
                    y_label: "line width, um".into(),
                    series: vec![
                        Series::marks("readings", Mark::Disc, readings),
                        Series::line("fit", line),
                    ],
                    band: Some(("fit, 95 %".into(), band)),
                    ..Chart::default()
                },
            }
        }
        Kind::Heat => {
            let (burst, readings) = heat::read(&table)?;
            let fit = heat::fit(&burst, &readings).map_err(whose)?;
            let (eta, loss) = (fit.absorbed_fraction, fit.loss_w_m2_k);
            Outcome {
                words: words::heat(&fit),
                json: tagged("heat", serde_json::to_value(&fit)?),
                lines: heat::recipe_lines(&fit),
                chart: Chart {
                    title: "Heat: rise at the sensor after the burst".into(),
                    notes: vec![format!(
                        "heat fraction {:.3} +- {:.3}, loss {:.0} +- {:.0} W/m2K (95 %)",
                        eta.value, eta.half_width_95, loss.value, loss.half_width_95
                    )],
                    x_label: "time since the first cut began, s".into(),
                    y_label: "rise, K".into(),
                    series: vec![
                        Series::marks("readings", Mark::Disc, readings),
                        Series::line("fit", fit.curve),
                    ],
                    ..Chart::default()
                },
            }
        }
        Kind::Tint => {
            let (ladder, rungs) = tint::read(&table)?;
            let fit = tint::Model::new(&ladder, &rungs)
                .fit(&rungs)
                .map_err(whose)?;
            Outcome {
                words: words::tint(&fit, &ladder),
                json: tagged("tint", serde_json::to_value(&fit)?),
                lines: tint::recipe_lines(&fit),
                chart: tint_chart(&fit, &rungs),
            }
        }
        Kind::Matrix => {
            let fit = matrix::fit(matrix::read(&table)?);
            Outcome {
                words: words::matrix(&fit),
                lines: matrix::recipe_lines(&fit),
                chart: matrix_chart(&fit),
                json: tagged("matrix", serde_json::to_value(&fit)?),
            }
        }
    })
}

/// Measured against modelled widths; without a model, widths over energy per length.
fn matrix_chart(fit: &matrix::MatrixFit) -> Chart {
    let mut notes = vec![format!(
        "{} of {} cells cut through",
        fit.cut_through,
        fit.cells.len()
    )];
    let width = |name: &str| {
        fit.cells
            .iter()
            .find(|c| c.cell == name)
            .and_then(|c| c.width_bottom_um.or(c.width_top_um))
    };
    let mut modelled: Vec<&matrix::Modelled> = fit.modelled.iter().collect();
    modelled.sort_by(|a, b| a.width_um.total_cmp(&b.width_um));
    if modelled.is_empty() {
        notes.push("no kerf model: cells that did not cut are drawn at zero".into());
        let marks = |through: bool| {
            fit.cells
                .iter()
                .filter(|c| c.cut_through == through)
                .map(|c| {
                    [
                        libm::log10(c.power_percent * c.passes / c.cut_speed_mm_s),
                        width(&c.cell).unwrap_or(0.0),
                    ]
                })
                .collect()
        };
        return Chart {
            title: "Settings: width over energy per length".into(),
            notes,
            x_label: "log10 of power in percent x passes / speed in mm/s".into(),
            y_label: "width, um".into(),
            series: vec![
                Series::marks("cut through", Mark::Disc, marks(true)),
                Series::marks("not through", Mark::Cross, marks(false)),
            ],
            band: None,
            ..Chart::default()
        };
    }
    let best = |name: &Option<String>| {
        modelled
            .iter()
            .filter(|m| name.as_ref() == Some(&m.cell))
            .filter_map(|m| width(&m.cell).map(|w| [m.width_um, w]))
            .collect::<Vec<_>>()
    };
    if let Some(cell) = &fit.compromise {
        notes.push(format!("compromise: cell {cell} (ring)"));
    }
    Chart {
        title: "Settings: measured against modelled width".into(),
        notes,
        x_label: "width by the kerf model, um".into(),
        y_label: "measured, um".into(),
        series: vec![
            Series::marks(
                "cells",
                Mark::Disc,
                modelled
                    .iter()
                    .filter_map(|m| width(&m.cell).map(|w| [m.width_um, w]))
                    .collect(),
            ),
            Series::marks("compromise", Mark::Ring, best(&fit.compromise)),
            Series::line(
                "model",
                modelled.iter().map(|m| [m.width_um, m.width_um]).collect(),
            ),
        ],
        band: Some((
            "a new reading, 95 %".into(),
            modelled
                .iter()
                .map(|m| {
                    [
                        m.width_um,
                        m.width_um - m.half_width_95_um,
                        m.width_um + m.half_width_95_um,
                    ]
                })
                .collect(),
        )),
        ..Chart::default()
    }
}

/// Where the plot has rows that follow at once.
const AT_ONCE_S: f64 = 3e-3;

/// Rungs over delay and width, and the line at which a web turns.
fn tint_chart(fit: &tint::TintFit, rungs: &[tint::Rung]) -> Chart {
    let marks = |tinted: bool| {
        rungs
            .iter()
            .filter(|r| r.tinted == tinted)
            .map(|r| [r.delay_s.max(AT_ONCE_S), r.web_um])
            .collect()
    };
    let e = fit.absorbed_fraction;
    Chart {
        title: "Ladder: which webs turned".into(),
        notes: vec![
            format!(
                "heat fraction {:.3} ({:.3} to {:.3}), loss {} W/m2K (95 %)",
                e.value,
                e.low_95,
                e.high_95,
                words::bounds(&fit.loss_w_m2_k)
            ),
            "narrow webs and short delays get hotter: a web turns below the line; rows that follow at once stand at the left".into(),
        ],
        x_label: "delay from row to row, s".into(),
        y_label: "width of the web, um".into(),
        series: vec![
            Series::marks("tinted", Mark::Disc, marks(true)),
            Series::marks("bright", Mark::Ring, marks(false)),
            Series::line(
                "a web just turns",
                fit.frontier.iter().map(|f| [f[0].max(AT_ONCE_S), f[2]]).collect(),
            ),
        ],
        band: Some((
            "95 %, by heat fraction".into(),
            fit.frontier.iter().map(|f| [f[0].max(AT_ONCE_S), f[1], f[3]]).collect(),
        )),
        log: [true, true],
        ..Chart::default()
    }
}

fn tagged(kind: &str, mut value: serde_json::Value) -> serde_json::Value {
    value["schema"] = "foilwright.fit/1".into();
    value["kind"] = kind.into();
    value
}

fn fit_kerf(path: &Path, table: &Table, args: &FitArgs) -> anyhow::Result<Outcome> {
    if args.resolution < 0.0 || args.edge < 0.0 {
        bail!("--resolution and --edge cannot be negative");
    }
    let type_b = kerf::TypeB {
        resolution_um: args.resolution,
        edge_um: args.edge,
    };
    let readings = kerf::read(table)?;
    let whose = |p: &Path, e: String| anyhow!("{}: {e}", p.display());
    let mut fit = kerf::fit(&readings, type_b).map_err(|e| whose(path, e.to_string()))?;
    if let Some(other) = &args.other_side {
        let more = kerf::read(&load(other)?)?;
        let more = kerf::fit(&more, type_b).map_err(|e| whose(other, e.to_string()))?;
        kerf::add_taper(&mut fit, &more).map_err(|e| whose(other, e))?;
        // Whichever table came first, the recipe gets the narrow side.
        if fit.side == "entry" {
            let taper = fit.taper_um;
            fit = more;
            fit.taper_um = taper;
        }
    }
    let is_out = |line: u64| fit.outliers.iter().any(|o| o.line == line);
    let marks = |opening: bool| {
        readings
            .readings
            .iter()
            .filter(|r| r.opening == opening && !is_out(r.line))
            .map(|r| [r.drawn_um, r.kerf_um()])
            .collect()
    };
    let last = readings
        .readings
        .iter()
        .map(|r| r.drawn_um)
        .fold(0.0, f64::max);
    let k = fit.combined_kerf_um;
    let s = fit.without_outliers.scale_error_ppm.unwrap_or(0.0) * 1e-6;
    let u = fit.expanded_uncertainty_95_um;
    let mut series = vec![
        Series::marks("openings", Mark::Disc, marks(true)),
        Series::marks("bars", Mark::Square, marks(false)),
        Series::line("fit, openings", vec![[0.0, k], [last, k + s * last]]),
        Series::line("fit, bars", vec![[0.0, k], [last, k - s * last]]),
    ];
    if !fit.outliers.is_empty() {
        let out = readings
            .readings
            .iter()
            .filter(|r| is_out(r.line))
            .map(|r| [r.drawn_um, r.kerf_um()])
            .collect();
        series.push(Series::marks("outliers, left out", Mark::Cross, out));
    }
    Ok(Outcome {
        words: words::kerf(&fit),
        json: tagged("kerf", serde_json::to_value(&fit)?),
        lines: kerf::recipe_lines(&fit, &readings),
        chart: Chart {
            title: "Kerf as each feature tells it".into(),
            notes: vec![format!(
                "kerf {k:.3} um +- {u:.3} um (95 %, type A and B); scale error of the microscope {:+.0} ppm",
                s * 1e6
            )],
            x_label: "drawn width, um".into(),
            y_label: "kerf, um".into(),
            series,
            band: Some((
                "kerf, 95 %".into(),
                vec![[0.0, k - u, k + u], [last, k - u, k + u]],
            )),
            ..Chart::default()
        },
    })
}
