//! What reads from outside: drawings, recipes, readings, and job files of every kind.

use super::harness::Target;
use super::mutate::Grammar;
use crate::proof::fixture::{Fixture, SHEET_MM, demo, disc, rect};
use foilwright::artwork::ReadOptions;
use foilwright::kerf::fit::{self, Kind, Table};
use foilwright::order::OrderMode;
use foilwright::proof::{Dialect, prove, read};
use foilwright::recipe::Recipe;
use foilwright::regions::union;
use foilwright::stencil::IslandMode;
use foilwright::{Options, PipelineError, prepare};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::LazyLock;

/// A small layer, so that most of the time goes into the inputs.
static SMALL: LazyLock<Fixture> = LazyLock::new(|| {
    let drawn = union(
        &rect(3000.0, 2000.0, 400.0, 300.0),
        &disc(6000.0, 4000.0, 200.0),
    );
    Fixture {
        openings: drawn.clone(),
        drawn,
        ..demo()
    }
});

fn folder(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// A word or two of a message: what is left without numbers and names.
fn gist(message: &str) -> String {
    message
        .split_whitespace()
        .filter(|w| w.chars().all(|c| c.is_ascii_alphabetic()))
        .take(6)
        .collect::<Vec<_>>()
        .join(" ")
}

pub fn svg() -> Target {
    let mut seeds = Vec::new();
    for dir in ["fixtures", "demo-data"] {
        let mut files: Vec<_> = std::fs::read_dir(folder(dir))
            .unwrap()
            .map(|e| e.unwrap().path())
            .collect();
        files.sort();
        for file in files
            .iter()
            .filter(|f| f.extension().is_some_and(|e| e == "svg"))
        {
            let bytes = std::fs::read(file).unwrap();
            // Large drawings say nothing that small ones do not, and take their time.
            if bytes.len() < 20_000 {
                seeds.push(bytes);
            }
        }
    }
    assert!(seeds.len() > 10, "no seeds");
    Target {
        name: "svg",
        seeds,
        grammar: Grammar {
            words: &[
                "<g>",
                "</g>",
                "<path d=\"M0 0L5 5 5 0z\"/>",
                "<rect width=\"3\" height=\"2\"/>",
                "<circle r=\"1\"/>",
                "<use href=\"#a\"/>",
                "<clipPath id=\"a\">",
                "</clipPath>",
                "<text>ab</text>",
                "<image href=\"a.png\"/>",
                "<style>",
                "</style>",
                "<symbol id=\"b\">",
                "<svg>",
                "</svg>",
                "<mask id=\"m\">",
                "<pattern id=\"p\">",
                " fill=\"#000\"",
                " fill=\"none\"",
                " fill-rule=\"evenodd\"",
                " stroke=\"black\"",
                " stroke-width=\"0.01\"",
                " stroke-dasharray=\"0.01 0.002\"",
                " stroke-linejoin=\"round\"",
                " stroke-linecap=\"square\"",
                " transform=\"rotate(33)\"",
                " transform=\"scale(1e-6)\"",
                " transform=\"matrix(1e5 0 0 1e5 0 0)\"",
                " viewBox=\"0 0 1e6 1e6\"",
                " width=\"100mm\"",
                " height=\"1e-3mm\"",
                " id=\"a\"",
                " clip-path=\"url(#a)\"",
                " display=\"none\"",
                " opacity=\"0.5\"",
                " data-tie-width=\"100um\"",
                " data-tie-count=\"64\"",
                " class=\"tie\"",
                "M",
                "a1 1 0 0 1 ",
                "c",
                "h1e9",
                "q",
                "t",
                "z",
                "mm",
                "in",
                "%",
                "&amp;",
                "&#0;",
                "<![CDATA[",
                "-->",
                "<!--",
                "<!DOCTYPE svg [<!ENTITY a \"b\">]>",
                "_notes",
                "common",
            ],
            pairs: &[
                ("<g>", "</g>"),
                ("<g transform=\"scale(0.9)\">", "</g>"),
                ("<svg>", "</svg>"),
                ("<g clip-path=\"url(#a)\">", "</g>"),
                ("<a>", "</a>"),
            ],
            splitters: b"< ",
        },
        feed: feed_svg,
    }
}

fn feed_svg(bytes: &[u8]) -> String {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("drawing.svg");
    std::fs::write(&path, bytes).unwrap();
    let choice = bytes
        .iter()
        .fold(7, |h, b| (h * 31 + usize::from(*b)) % 10_007);
    run_drawing(&path, choice, MOST_VERTICES)
}

/// Above this many vertices a drawing is only read: a job of so many takes its time for a reason.
const MOST_VERTICES: usize = 60_000;

/// A drawing through all stages, the job written, read back and proved. `choice` picks the options.
pub fn run_drawing(path: &Path, choice: usize, most: usize) -> String {
    let recipe = Recipe::load("steel-25um").unwrap();
    let options = Options {
        read: ReadOptions {
            width_mm: (choice.is_multiple_of(2)).then_some(20.0),
            any_paint: choice.is_multiple_of(5),
            tolerance_um: recipe.tolerance_um(),
            ..ReadOptions::default()
        },
        layers: Vec::new(),
        islands: [
            IslandMode::Tie,
            IslandMode::Tie,
            IslandMode::Split,
            IslandMode::Refuse,
        ][choice / 7 % 4],
        order: [OrderMode::Travel, OrderMode::Artwork, OrderMode::Cool][choice / 3 % 3],
        force: choice.is_multiple_of(11),
        rules_only: false,
        recipe,
    };
    if let Ok(artwork) = foilwright::artwork::read(path, &options.read) {
        let vertices: usize = artwork
            .value
            .layers
            .iter()
            .map(|l| l.openings.vertex_count())
            .sum();
        if vertices > most {
            return format!(
                "only read, {} digits of vertices",
                vertices.to_string().len()
            );
        }
    }
    let run = match prepare(path, &options) {
        Ok(run) => run,
        Err(PipelineError::Artwork(e)) => {
            let codes: BTreeSet<&str> = e.refusals.iter().map(|r| r.code).collect();
            assert!(!codes.contains("internal"), "{e}");
            assert!(
                e.refusals
                    .iter()
                    .all(|r| r.what.split_whitespace().count() >= 3),
                "no words: {e}"
            );
            return format!("refused {codes:?}");
        }
        Err(other) => return format!("refused {}", gist(&other.to_string())),
    };
    let mut codes: BTreeSet<String> = run.report.all_findings().map(|f| f.code.clone()).collect();
    for f in run.report.all_findings() {
        assert!(
            f.message.split_whitespace().count() >= 3,
            "no words: {}",
            f.message
        );
    }
    for job in &run.jobs {
        let Some(plan) = &job.plan else { continue };
        for (name, format) in [("a.nc", "rs274"), ("a.cut.svg", "svg"), ("a.dxf", "dxf")] {
            let bytes = foilwright::job::writer(format)
                .unwrap()
                .write(plan, &options.recipe)
                .unwrap();
            let back = read(name, &bytes, &Dialect::from_recipe(&options.recipe)).unwrap();
            // Whatever was drawn: never a job with the beam on where it must be off, or outside the field.
            assert_eq!(back.faults.listed(), [], "{format}");
            if format == "rs274" {
                let verdict = prove(&back, &job.layer, run.sheet.box_mm, &options.recipe);
                codes.extend(verdict.counts.keys().map(|c| format!("proof {c}")));
            }
        }
    }
    format!("{codes:?}")
}

pub fn recipe() -> Target {
    let mut seeds: Vec<Vec<u8>> = ["steel-25um", "steel-50um", "brass-25um", "nickel-25um"]
        .map(|n| Recipe::load(n).unwrap().to_annotated_toml().into_bytes())
        .to_vec();
    seeds.push(b"[laser]\npower_percent = 30\n[scan]\ncut_speed_mm_s = 50.5\n[rs274]\nheader = [\"G64\"]\n".to_vec());
    Target {
        name: "recipe",
        seeds,
        grammar: Grammar {
            words: &[
                "[kerf]",
                "[rs274]",
                "[sheet]",
                "[foil]",
                "[[foil]]",
                "width_um",
                "material",
                "= ",
                "true",
                "false",
                "\"brass-cuzn37\"",
                "\"page\"",
                "\"1e9x1mm\"",
                "\"in_place\"",
                "\"artwork\"",
                "\"\"",
                "inf",
                "nan",
                "0x7f",
                "1979-05-27",
                "'''",
                "\"\"\"",
                "[",
                "]",
                "{",
                "}",
                "\"M3\"",
                "\"G1 X1 M3\"",
                "\"\\n\"",
                "\"\\u0000\"",
                "\n",
                "#",
                "a.b.c = 1\n",
            ],
            pairs: &[("[", "]"), ("{a=", "}"), ("\"", "\"")],
            splitters: b"\n",
        },
        feed: feed_recipe,
    }
}

fn feed_recipe(bytes: &[u8]) -> String {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return "not text".into();
    };
    let recipe = match Recipe::parse(text, "fuzz.toml") {
        Ok(recipe) => recipe,
        Err(e) => return gist(&e.to_string()),
    };
    // What is accepted can be written down and read again, and a job can be made with it or refused.
    let again =
        Recipe::parse(&recipe.to_annotated_toml(), "fuzz.toml").unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(format!("{again:?}"), format!("{recipe:?}"));
    let window = foilwright::beam::window::Window::of(&recipe);
    assert!(!format!("{window:?}").is_empty());
    let mut f = Fixture {
        drawn: SMALL.drawn.clone(),
        openings: SMALL.openings.clone(),
        recipe,
        sheet_mm: SHEET_MM,
    };
    // Passes only repeat; a thousand of them only take time.
    f.recipe.passes.count = f.recipe.passes.count.min(3);
    let plan = match f.try_plan() {
        Ok(plan) => plan,
        Err(e) => return gist(&e.to_string()),
    };
    let bytes = match foilwright::job::writer("rs274")
        .unwrap()
        .write(&plan, &f.recipe)
    {
        Ok(bytes) => bytes,
        Err(e) => return gist(&e.to_string()),
    };
    let back = f.read("a.nc", &bytes);
    let beam: Vec<_> = back
        .faults
        .listed()
        .iter()
        .filter(|f| f.finding.code.starts_with("beam-on"))
        .collect();
    assert!(beam.is_empty(), "{beam:?}");
    let verdict = prove(&back, &f.layer(), f.sheet_mm, &f.recipe);
    format!("{:?}", verdict.counts.keys().collect::<Vec<_>>())
}

pub fn readings() -> Target {
    let mut kerf = "feature,axis,drawn_um,measured_um,applied_kerf_um,side\n".to_owned();
    for (i, d) in [40.0, 60.0, 100.0, 150.0, 200.0].into_iter().enumerate() {
        for axis in ["x", "y"] {
            let noise = 0.1 * i as f64;
            kerf += &format!(
                "opening,{axis},{d},{},0,exit\nbar,{axis},{d},{},0,exit\n",
                d + 8.0 + noise,
                d - 8.0 - noise
            );
        }
    }
    let pulse = "energy_uj,pulses,diameter_um\n20,1,5.1\n40,1,9.2\n80,1,12.4\n160,1,15.1\n10,1,\n80,100,17.5\n160,100,19.2\n";
    let focus = "height_mm,width_um\n79,14\n79.5,11\n80,9.4\n80.5,9.1\n81,10.5\n81.5,13\n";
    let mut matrix = "cell,power_percent,cut_speed_mm_s,pulse_rate_khz,passes,cut_through,width_top_um,width_bottom_um,bridges,warp\n".to_owned();
    for i in 0..12 {
        let (p, v) = (15 + 5 * (i % 4), 50 * (1 + i / 4));
        matrix += &format!(
            "{i},{p},{v},20,1,{},{},{},0,0\n",
            if i % 4 > 0 { "yes" } else { "no" },
            8 + i % 4,
            6 + i % 3
        );
    }
    let mut ladder = "rung,web_um,delay_s,tinted,spacing_um,dash_um,sweep_mm_s,length_mm,rows,pass_j_m,passes,cut_speed_mm_s,capacity_j_m2_k,sheet_w_k,mark_c,mark_uncertainty_c,room_c\n".to_owned();
    for i in 0..10 {
        let common = if i == 0 {
            "6,4,50,1,100,96.2,0.001656,370,80,20"
        } else {
            ",,,,,,,,,"
        };
        ladder += &format!(
            "{i},{},{},{},100,150,40,{common}\n",
            300 + 100 * (i % 5),
            f64::from(i / 5) * 0.1,
            if i % 5 < 2 { "yes" } else { "no" },
        );
    }
    Target {
        name: "readings",
        seeds: vec![
            ladder.into_bytes(),
            kerf.into_bytes(),
            pulse.into(),
            focus.into(),
            matrix.into_bytes(),
        ],
        grammar: Grammar {
            words: &[
                "feature",
                "opening",
                "bar",
                "axis",
                "x",
                "y",
                "drawn_um",
                "measured_um",
                "measured_mm",
                "applied_kerf_um",
                "side",
                "entry",
                "exit",
                "through",
                "energy_uj",
                "diameter_um",
                "height_mm",
                "width_um",
                "cut_through",
                "tinted",
                "delay_s",
                "yes",
                "no",
                "power_percent",
                "passes",
                ",",
                ",,",
                "\"",
                "\n",
                ";",
                "um",
                "\u{feff}",
                "1,5",
            ],
            pairs: &[("\"", "\"")],
            splitters: b",\n",
        },
        feed: feed_readings,
    }
}

fn feed_readings(bytes: &[u8]) -> String {
    match fit_readings(bytes) {
        Ok(word) => word,
        Err(e) => {
            assert!(e.split_whitespace().count() >= 3, "no words: {e}");
            gist(&e)
        }
    }
}

fn fit_readings(bytes: &[u8]) -> Result<String, String> {
    let table = Table::parse(bytes, "readings.csv").map_err(|e| e.to_string())?;
    let kind = Kind::of(&table).map_err(|e| e.to_string())?;
    let (lines, json) = match kind {
        Kind::Kerf => {
            let data = fit::kerf::read(&table).map_err(|e| e.to_string())?;
            let f =
                fit::kerf::fit(&data, fit::kerf::TypeB::default()).map_err(|e| e.to_string())?;
            (fit::kerf::recipe_lines(&f, &data), serde_json::to_value(&f))
        }
        Kind::Pulse => {
            let (craters, unmarked) = fit::pulse::read(&table).map_err(|e| e.to_string())?;
            let f = fit::pulse::fit(&craters, unmarked)?;
            (fit::pulse::recipe_lines(&f), serde_json::to_value(&f))
        }
        Kind::Focus => {
            let f = fit::focus::fit(&fit::focus::read(&table).map_err(|e| e.to_string())?)?;
            (Vec::new(), serde_json::to_value(&f))
        }
        Kind::Heat => {
            let (burst, readings) = fit::heat::read(&table).map_err(|e| e.to_string())?;
            let f = fit::heat::fit(&burst, &readings)?;
            (fit::heat::recipe_lines(&f), serde_json::to_value(&f))
        }
        Kind::Tint => {
            let (ladder, rungs) = fit::tint::read(&table).map_err(|e| e.to_string())?;
            let f = fit::tint::Model::new(&ladder, &rungs).fit(&rungs)?;
            (fit::tint::recipe_lines(&f), serde_json::to_value(&f))
        }
        Kind::Matrix => {
            let f = fit::matrix::fit(fit::matrix::read(&table).map_err(|e| e.to_string())?);
            (fit::matrix::recipe_lines(&f), serde_json::to_value(&f))
        }
    };
    let json = json.map_err(|e| e.to_string())?;
    let recipe = Recipe::load("steel-25um").unwrap().to_annotated_toml();
    let fits = fit::recipe_lines::into_recipe(&recipe, "fuzz.toml", &lines);
    let keys = json
        .as_object()
        .map_or(0, |o| o.values().filter(|v| !v.is_null()).count());
    Ok(format!(
        "{kind:?} {} lines, {keys} results, recipe {}",
        lines.len(),
        fits.map_or_else(|e| gist(&e.to_string()), |_| "taken".into())
    ))
}

const JOB_WORDS: &[&str] = &[
    "G0",
    "G1",
    "G2",
    "G3",
    "G4",
    "G20",
    "G21",
    "G90",
    "G91",
    "G93",
    "G17",
    "G18",
    "M2",
    "M3",
    "M4",
    "M5",
    "M30",
    "X1",
    "Y-2",
    "I3",
    "J0",
    "R-5",
    "R0",
    "F",
    "F0",
    "F100",
    "S0",
    "S-1",
    "P-1",
    "P1e3",
    "%\n",
    "\n",
    "(",
    ")",
    "(path 1 pass 2)",
    ";",
    "/",
    "N1",
    "#1=2",
    "[",
    "-",
    "(sheet_mm: 0 0 1 1)",
    "(kerf_um: nan)",
    "(sheet_mm: -5 -4 5 4)",
    "G28",
    "X99999999",
];

fn job_seeds(format: &str) -> Vec<Vec<u8>> {
    let mut many = Fixture {
        drawn: SMALL.drawn.clone(),
        openings: SMALL.openings.clone(),
        recipe: SMALL.recipe.clone(),
        sheet_mm: SHEET_MM,
    };
    many.recipe.passes.count = 2;
    many.recipe.rs274.arcs = true;
    many.recipe.rs274.line_numbers = true;
    vec![SMALL.file(format).1, many.file(format).1]
}

fn feed_job(name: &str, bytes: &[u8]) -> String {
    let dialect = Dialect::from_recipe(&SMALL.recipe);
    match read(name, bytes, &dialect) {
        Err(e) => {
            let words = e.to_string();
            assert!(words.split_whitespace().count() >= 3, "no words: {words}");
            gist(&words)
        }
        Ok(job) => {
            let verdict = prove(&job, &SMALL.layer(), SHEET_MM, &SMALL.recipe);
            for f in &verdict.findings {
                assert!(
                    f.finding
                        .at_mm
                        .is_none_or(|p| p.iter().all(|v| v.is_finite())),
                    "{f:?}"
                );
            }
            let a = &verdict.as_cut;
            for v in [
                a.edge_error_max_um,
                a.edge_error_rms_um,
                a.cut_length_mm,
                a.beam_on_s,
                a.dwell_s,
                a.job_s,
            ] {
                assert!(v.is_finite() && v >= 0.0, "{a:?}");
            }
            format!("{:?}", verdict.counts.keys().collect::<Vec<_>>())
        }
    }
}

pub fn rs274() -> Target {
    Target {
        name: "rs274",
        seeds: job_seeds("rs274"),
        grammar: Grammar {
            words: JOB_WORDS,
            pairs: &[("(", ")"), ("[", "]")],
            splitters: b"\n ",
        },
        feed: |bytes| feed_job("a.nc", bytes),
    }
}

pub fn dxf() -> Target {
    Target {
        name: "dxf",
        seeds: job_seeds("dxf"),
        grammar: Grammar {
            words: &[
                "0\nVERTEX\n",
                "0\nPOLYLINE\n",
                "0\nLINE\n",
                "0\nSEQEND\n",
                "0\nENDSEC\n",
                "0\nSECTION\n",
                "2\nENTITIES\n",
                "0\nEOF\n",
                "10\n",
                "20\n",
                "11\n1\n",
                "21\n1\n",
                "42\n1\n",
                "70\n1\n",
                "999\npath 1 pass 1\n",
                "999\nsheet_mm: 0 0 1 1\n",
                "8\nSHEET_MARKS\n",
                "0\nINSERT\n",
                "0\nSPLINE\n",
            ],
            pairs: &[
                ("0\nSECTION\n", "0\nENDSEC\n"),
                ("0\nPOLYLINE\n", "0\nSEQEND\n"),
            ],
            splitters: b"\n",
        },
        feed: |bytes| feed_job("a.dxf", bytes),
    }
}

pub fn plan() -> Target {
    Target {
        name: "plan",
        seeds: job_seeds("plan"),
        grammar: Grammar {
            words: &[
                "{\"do\":\"jump\",\"to\":[0,0]},",
                "{\"do\":\"dwell\",\"seconds\":1e300,\"reason\":\"\"},",
                "{\"do\":\"cut\",\"path\":0,\"pass\":1,\"from_mm\":0,\"to_mm\":1},",
                "null",
                "true",
                "[]",
                "{}",
                "\"\"",
                "[1,2],",
                "\"sheet_mm\"",
                "\"kind\":\"line\"",
                "1e999",
                "\\u0000",
            ],
            pairs: &[("[", "]"), ("{\"a\":", "}")],
            splitters: b",{[",
        },
        feed: |bytes| feed_job("a.plan.json", bytes),
    }
}

pub fn cut_svg() -> Target {
    Target {
        name: "cut-svg",
        seeds: job_seeds("svg"),
        grammar: Grammar {
            words: &[
                "<path d=\"M0 0L1 1\"/>",
                "M",
                "L",
                "A1 1 0 0 0 5 5",
                "C1 1 2 2 3 3",
                "z",
                "<g transform=\"scale(2)\">",
                "</g>",
                " data-pass=\"9\"",
                " data-path=\"4294967295\"",
                "<desc>kerf_um 8; passes 1</desc>",
                " viewBox=\"0 0 1 1\"",
                " width=\"1e4mm\"",
                "<!--",
                "-->",
                "&lt;",
            ],
            pairs: &[("<g>", "</g>"), ("<svg>", "</svg>")],
            splitters: b"<L ",
        },
        feed: |bytes| feed_job("a.cut.svg", bytes),
    }
}
