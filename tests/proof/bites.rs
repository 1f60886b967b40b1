//! Jobs as `cut` writes them, long paths in bites and bars over islands: each cut taken out, each made twice, each bar
//! cut through or away. All of the demo drawings with islands.

use crate::support::options;
use foilwright::artwork::Layer;
use foilwright::finding::Severity;
use foilwright::job;
use foilwright::order::OrderMode;
use foilwright::proof::{self, Dialect, Verdict};
use foilwright::recipe::Recipe;
use foilwright::sheet::Frame;
use foilwright::stencil::IslandMode;
use std::path::Path;

struct Job {
    recipe: Recipe,
    layer: Layer,
    sheet_mm: [f64; 4],
    lines: Vec<String>,
    /// Ends of the bars, job millimetres, and their widths.
    bars: Vec<([f64; 2], [f64; 2], f64)>,
}

impl Job {
    fn prove(&self, lines: &[String]) -> Verdict {
        let text = lines.join("\n") + "\n";
        let read =
            proof::read("x.nc", text.as_bytes(), &Dialect::from_recipe(&self.recipe)).unwrap();
        proof::prove(&read, &self.layer, self.sheet_mm, &self.recipe)
    }
    /// First and last line (from 0) of each cut: its jump, its comment, beam on, beam off.
    fn cuts(&self) -> Vec<[usize; 2]> {
        let at = |i: &usize| self.lines[*i].starts_with("(path ");
        let off = |i: usize| (i..).find(|k| self.lines[*k] == "M5").unwrap();
        (0..self.lines.len())
            .filter(at)
            .map(|i| [i - 1, off(i)])
            .collect()
    }
    /// The job with lines added before its end.
    fn with(&self, extra: Vec<String>) -> (Vec<String>, std::ops::Range<u32>) {
        let end = self.lines.iter().rposition(|l| l == "M5").unwrap() + 1;
        let range = end as u32 + 1..(end + extra.len()) as u32 + 1;
        let mut lines = self.lines.clone();
        lines.splice(end..end, extra);
        (lines, range)
    }
}

/// One job for each layer of a drawing.
fn jobs_of(artwork: &Path, recipe: &Recipe) -> Vec<Job> {
    let asked = options(recipe.clone(), IslandMode::Tie, OrderMode::Cool);
    let run = foilwright::prepare(artwork, &asked).unwrap();
    let frame = Frame::new(run.sheet.box_mm, recipe);
    let made = run.jobs.iter().map(|job| {
        let plan = job.plan.as_ref().unwrap();
        let bytes = job::writer("rs274").unwrap().write(plan, recipe).unwrap();
        let mm = |p: foilwright::regions::Point| {
            frame.to_job([f64::from(p.x) / 1e6, f64::from(p.y) / 1e6])
        };
        let bars = job.stencil.tie_bars.iter();
        let text = String::from_utf8(bytes).unwrap();
        Job {
            recipe: recipe.clone(),
            layer: job.layer.clone(),
            sheet_mm: run.sheet.box_mm,
            lines: text.lines().map(str::to_owned).collect(),
            bars: bars.map(|b| (mm(b.from), mm(b.to), b.width_um)).collect(),
        }
    });
    made.collect()
}

/// The layers of the demo drawings that have islands.
fn jobs() -> Vec<Job> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let recipe = Recipe::load("steel-25um").unwrap();
    let out: Vec<Job> = ["thermopile-sensor.svg", "absorber-rings.svg"]
        .into_iter()
        .flat_map(|file| jobs_of(&folder.join(file), &recipe))
        .filter(|job| !job.bars.is_empty())
        .collect();
    assert!(out.len() >= 2 && out.iter().any(|j| j.cuts().len() > j.bars.len()));
    out
}

/// Rings within rings cut in short bites; lines as narrow as the beam and a little wider, which are cleared, with ends
/// of all kinds; a wedge that runs out; a slot that a throat narrower than the kerf parts.
const SMALL: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="7mm" viewBox="0 0 9 7">
<g stroke="black" fill="none">
<circle cx="2" cy="2" r="1.1" stroke-width="0.5"/><circle cx="2" cy="2" r="0.5" stroke-width="0.24"/>
<circle cx="2" cy="5" r="0.55" stroke-width="0.12"/>
<path d="M4 1v1.1" stroke-width="0.016"/><path d="M4.3 1v1.1" stroke-width="0.022" stroke-linecap="round"/>
<path d="M4.6 1v1.1" stroke-width="0.03" stroke-linecap="square"/>
<path d="M4.9 1v1.1" stroke-width="0.036" stroke-linecap="round"/>
<path d="M5.3 1v1.1" stroke-width="0.06" stroke-linecap="round"/>
<path d="M5.7 1v1.1" stroke-width="0.11" stroke-linecap="round"/>
<path d="M6.2 1.2l1.5 0.9" stroke-width="0.036"/><path d="M6.3 0.9l0.02 -0.03" stroke-width="0.13"/></g>
<path d="M4 3.2L7.6 3.28L4 3.36Z"/>
<path d="M4 4.4h0.5l0.2 0.076h0.06l0.06 -0.076h0.04v0.16h-0.04l-0.06 -0.076h-0.06l-0.2 0.076h-0.5z"/>
<path d="M4 5.6c1 -0.8 2 0.7 3.4 0l0.01 0.03c-1.4 0.7 -2.4 -0.7 -3.2 0.2z"/>
</svg>"##;

fn small(bite_mm: f64) -> Vec<Job> {
    let mut recipe = Recipe::load("steel-25um").unwrap();
    recipe.heat.bite_mm = bite_mm;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("small.svg");
    std::fs::write(&file, SMALL).unwrap();
    jobs_of(&file, &recipe)
}

fn blocking(verdict: &Verdict) -> Vec<(String, Option<u32>)> {
    let found = verdict.findings.iter();
    found
        .filter(|f| f.finding.severity == Severity::Blocking)
        .map(|f| (f.finding.code.clone(), f.line))
        .collect()
}

fn each_cut_is_missed(job: &Job, every: usize) {
    let verdict = job.prove(&job.lines);
    assert!(verdict.passed, "{:?}", blocking(&verdict));
    for [from, to] in job.cuts().into_iter().step_by(every) {
        let mut lines = job.lines.clone();
        lines.drain(from..=to);
        // Strokes of a clearing overlap by half, so that one less may leave nothing.
        if job.lines[from + 1].contains("clearing") {
            continue;
        }
        assert!(
            !job.prove(&lines).passed,
            "lines {} to {}",
            from + 1,
            to + 1
        );
    }
}

#[test]
fn whichever_cut_is_taken_out_is_missed() {
    for job in jobs() {
        each_cut_is_missed(&job, 2);
    }
}

#[test]
fn bites_beside_bars_clearing_and_single_lines_are_missed_too() {
    for job in small(0.5).iter().chain(&small(0.3)) {
        assert!(!job.bars.is_empty());
        each_cut_is_missed(job, 1);
    }
}

#[test]
fn openings_that_are_not_cleared_are_told() {
    for job in small(2.0) {
        let clearing: Vec<[usize; 2]> = (job.cuts().into_iter())
            .filter(|c| job.lines[c[0] + 1].contains("clearing"))
            .collect();
        let opening = |c: &[usize; 2]| {
            let (_, rest) = job.lines[c[0] + 1].split_once("opening ").unwrap();
            rest.split(' ').next().unwrap().to_owned()
        };
        let openings: std::collections::BTreeSet<String> = clearing.iter().map(opening).collect();
        assert!(openings.len() >= 5);
        for of in openings {
            let mut lines = job.lines.clone();
            for c in clearing.iter().rev().filter(|c| opening(c) == of) {
                lines.drain(c[0]..=c[1]);
            }
            let found = blocking(&job.prove(&lines));
            assert!(
                found.iter().any(|f| f.0 == "slug-sticks" && f.1.is_some()),
                "{of}: {found:?}"
            );
        }
    }
}

/// The line with its place moved.
fn moved(line: &str, by_mm: [f64; 2]) -> String {
    let word = |w: &str, letter: char, by: f64| {
        let value: f64 = w.strip_prefix(letter)?.parse().ok()?;
        Some(format!("{letter}{:.4}", value + by))
    };
    let words = line.split(' ').map(|w| {
        (word(w, 'X', by_mm[0]).or_else(|| word(w, 'Y', by_mm[1]))).unwrap_or_else(|| w.to_owned())
    });
    words.collect::<Vec<_>>().join(" ")
}

#[test]
fn whichever_cut_lies_two_micrometres_off_is_told_with_its_line() {
    for job in small(2.0) {
        for (k, [from, to]) in job.cuts().into_iter().enumerate() {
            if job.lines[from + 1].contains("clearing") {
                continue;
            }
            let (s, c) = libm::sincos(0.7 + 2.4 * k as f64);
            let own = from as u32 + 1..to as u32 + 2;
            let told = |by_mm: [f64; 2]| {
                let mut lines = job.lines.clone();
                for line in &mut lines[from..=to] {
                    if !line.starts_with('(') {
                        *line = moved(line, by_mm);
                    }
                }
                let found = blocking(&job.prove(&lines));
                found.iter().any(|f| f.1.is_some_and(|l| own.contains(&l)))
            };
            // A straight cut from opening to opening may be moved along itself.
            assert!(
                told([2e-3 * c, 2e-3 * s]) || told([-2e-3 * s, 2e-3 * c]),
                "{own:?}"
            );
        }
    }
}

/// A straight cut, as lines.
fn stroke(a: [f64; 2], b: [f64; 2]) -> [String; 4] {
    [
        format!("G0 X{:.4} Y{:.4}", a[0], a[1]),
        "M3".to_owned(),
        format!("G1 X{:.4} Y{:.4}", b[0], b[1]),
        "M5".to_owned(),
    ]
}

#[test]
fn whichever_bar_is_cut_through_is_told_with_the_line_of_the_cut() {
    for job in jobs() {
        for (from, to, width_um) in &job.bars {
            let length = (to[0] - from[0]).hypot(to[1] - from[1]);
            let u = [0, 1].map(|d| (to[d] - from[d]) / length);
            let half_mm = 0.5e-3 * width_um + 0.004;
            for share in [0.3, 0.5] {
                let middle = [0, 1].map(|d| from[d] + share * (to[d] - from[d]));
                let side = |by: f64| [middle[0] - by * u[1], middle[1] + by * u[0]];
                let (lines, cut) = job.with(stroke(side(-half_mm), side(half_mm)).to_vec());
                let found = blocking(&job.prove(&lines));
                let told = |(code, line): &(String, Option<u32>)| {
                    code == "bar-cut" && line.is_some_and(|l| cut.contains(&l))
                };
                assert!(found.iter().any(told), "{from:?} {share}: {found:?}");
            }
        }
    }
}

#[test]
fn a_bar_cut_away_is_missed() {
    for job in jobs() {
        let kerf_mm = job.recipe.kerf.width_um * 1e-3;
        let (from, to, width_um) = job.bars[0];
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        let u = [0, 1].map(|d| (to[d] - from[d]) / length);
        // Cuts along the drawn edges at both of its ends, and whatever lies between falls out.
        let half_mm = 0.5e-3 * width_um + 0.004;
        let mut extra = Vec::new();
        for (end, inward) in [(from, 1.0), (to, -1.0)] {
            let at = |by: f64, along: f64| {
                [
                    end[0] + inward * along * u[0] - by * u[1],
                    end[1] + inward * along * u[1] + by * u[0],
                ]
            };
            extra.extend(stroke(
                at(-half_mm, 0.5 * kerf_mm),
                at(half_mm, 0.5 * kerf_mm),
            ));
        }
        let (lines, _) = job.with(extra);
        let verdict = job.prove(&lines);
        let found = blocking(&verdict);
        assert!(
            found
                .iter()
                .any(|f| ["bar-missing", "bar-cut", "foil-loose"].contains(&f.0.as_str())),
            "{found:?}"
        );
    }
}
