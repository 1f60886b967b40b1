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

fn jobs() -> Vec<Job> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let recipe = Recipe::load("steel-25um").unwrap();
    let mut out = Vec::new();
    for file in ["thermopile-sensor.svg", "absorber-rings.svg"] {
        let asked = options(recipe.clone(), IslandMode::Tie, OrderMode::Cool);
        let run = foilwright::prepare(&folder.join(file), &asked).unwrap();
        let frame = Frame::new(run.sheet.box_mm, &recipe);
        for job in run.jobs.iter().filter(|j| !j.stencil.tie_bars.is_empty()) {
            let plan = job.plan.as_ref().unwrap();
            let bytes = job::writer("rs274").unwrap().write(plan, &recipe).unwrap();
            let mm = |p: foilwright::regions::Point| {
                frame.to_job([f64::from(p.x) / 1e6, f64::from(p.y) / 1e6])
            };
            let bars = job.stencil.tie_bars.iter();
            out.push(Job {
                recipe: recipe.clone(),
                layer: job.layer.clone(),
                sheet_mm: run.sheet.box_mm,
                lines: String::from_utf8(bytes)
                    .unwrap()
                    .lines()
                    .map(str::to_owned)
                    .collect(),
                bars: bars.map(|b| (mm(b.from), mm(b.to), b.width_um)).collect(),
            });
        }
    }
    assert!(out.len() >= 2 && out.iter().any(|j| j.cuts().len() > j.bars.len()));
    out
}

fn blocking(verdict: &Verdict) -> Vec<(String, Option<u32>)> {
    let found = verdict.findings.iter();
    found
        .filter(|f| f.finding.severity == Severity::Blocking)
        .map(|f| (f.finding.code.clone(), f.line))
        .collect()
}

#[test]
fn whichever_cut_is_taken_out_is_missed() {
    for job in jobs() {
        assert!(job.prove(&job.lines).passed);
        for [from, to] in job.cuts().into_iter().step_by(2) {
            let mut lines = job.lines.clone();
            lines.drain(from..=to);
            assert!(
                !job.prove(&lines).passed,
                "lines {} to {}",
                from + 1,
                to + 1
            );
        }
    }
}

#[test]
fn whichever_cut_is_made_twice_is_told_with_its_line() {
    for job in jobs() {
        for [from, to] in job.cuts().into_iter().step_by(3) {
            let mut lines = job.lines.clone();
            let again = lines[from..=to].to_vec();
            let second = to as u32 + 2..to as u32 + 2 + again.len() as u32;
            lines.splice(to + 1..to + 1, again);
            let found = blocking(&job.prove(&lines));
            let told = |(code, line): &(String, Option<u32>)| {
                code == "cut-repeated" && line.is_some_and(|l| second.contains(&l))
            };
            assert!(found.iter().any(told), "{second:?}: {found:?}");
            assert!(found.iter().all(|f| f.0 == "cut-repeated"), "{found:?}");
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
