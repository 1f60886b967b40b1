//! Spoilt jobs: twelve kinds of damage, each seeded, each caught with the right code, on a small layer and on
//! every layer of the demo drawings.

use super::fixture::{Fixture, demo};
use crate::support::dice::Dice;
use crate::support::options;
use foilwright::finding::Severity;
use foilwright::order::OrderMode;
use foilwright::proof::Verdict;
use foilwright::recipe::Recipe;
use foilwright::regions::outset;
use foilwright::stencil::IslandMode;
use std::path::Path;
use std::sync::LazyLock;

/// A layer whose job is spoilt, and for each island the middles and directions of its bars, page millimetres.
struct Subject {
    name: String,
    fixture: Fixture,
    islands: Vec<Vec<[f64; 4]>>,
    /// Its job of one pass and of two.
    jobs: [Vec<String>; 2],
    seeds: usize,
}

impl Subject {
    fn new(
        name: String,
        mut fixture: Fixture,
        islands: Vec<Vec<[f64; 4]>>,
        seeds: usize,
    ) -> Subject {
        let jobs = [1, 2].map(|passes| {
            fixture.recipe.passes.count = passes;
            lines(&fixture.text())
        });
        fixture.recipe.passes.count = 1;
        Subject {
            name,
            fixture,
            islands,
            jobs,
            seeds,
        }
    }
    fn with_passes(&self, count: u32) -> Fixture {
        let mut fixture = self.fixture.clone();
        fixture.recipe.passes.count = count;
        fixture
    }
    /// Whether the drawing opens the foil at a place of the job.
    fn opens(&self, p: [f64; 2]) -> bool {
        let s = self.fixture.sheet_mm;
        let page = [p[0] + (s[0] + s[2]) / 2.0, (s[1] + s[3]) / 2.0 - p[1]];
        let [x, y] = page.map(|v| (v * 1e6).round() as i32);
        self.fixture
            .drawn
            .contains(foilwright::regions::Point::new(x, y))
    }
    fn page_to_job(&self, p: [f64; 2]) -> [f64; 2] {
        let s = self.fixture.sheet_mm;
        [p[0] - (s[0] + s[2]) / 2.0, (s[1] + s[3]) / 2.0 - p[1]]
    }
}

static SUBJECTS: LazyLock<Vec<Subject>> = LazyLock::new(|| {
    let bars = vec![vec![[1.8, 3.0, 1.0, 0.0], [4.2, 3.0, 1.0, 0.0]]];
    let mut out = vec![Subject::new("small".to_owned(), demo(), bars, 26)];
    // The folder alone: `cut` leaves its files in folders below it.
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let mut files: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|f| f.extension().is_some_and(|e| e == "svg"))
        .collect();
    files.sort();
    for file in files {
        let recipe = Recipe::load("steel-25um").unwrap();
        let asked = options(recipe.clone(), IslandMode::Tie, OrderMode::Artwork);
        let run = foilwright::prepare(&file, &asked).unwrap();
        for job in &run.jobs {
            let mm = |v: i32| f64::from(v) / 1e6;
            let islands = (job.stencil.islands.iter())
                .filter(|i| !i.bars.is_empty())
                .map(|island| {
                    (island.bars.iter())
                        .map(|&b| {
                            let bar = &job.stencil.tie_bars[b];
                            let (f, t) = (bar.from, bar.to);
                            let d = [mm(t.x) - mm(f.x), mm(t.y) - mm(f.y)];
                            let l = d[0].hypot(d[1]);
                            [
                                (mm(f.x) + mm(t.x)) / 2.0,
                                (mm(f.y) + mm(t.y)) / 2.0,
                                d[0] / l,
                                d[1] / l,
                            ]
                        })
                        .collect()
                })
                .collect();
            let fixture = Fixture {
                drawn: job.layer.openings.clone(),
                openings: job.stencil.openings.clone(),
                recipe: recipe.clone(),
                sheet_mm: run.sheet.box_mm,
            };
            let name = format!("{} {}", run.stem, job.layer.name);
            out.push(Subject::new(name, fixture, islands, 4));
        }
    }
    assert!(out.len() > 6, "{} demo layers", out.len() - 1);
    out
});

#[test]
fn untouched_jobs_raise_nothing() {
    for s in SUBJECTS.iter() {
        for passes in [1, 2] {
            let text = s.jobs[passes as usize - 1].join("\n") + "\n";
            let verdict = s.with_passes(passes).prove_text(&text);
            let blocking = |f: &&foilwright::proof::Fault| f.finding.severity == Severity::Blocking;
            let found: Vec<_> = verdict.findings.iter().filter(blocking).collect();
            assert!(verdict.passed && found.is_empty(), "{}: {found:?}", s.name);
        }
    }
}

/// The lines of one path of one pass: from its jump to the line that turns the beam off.
#[derive(Clone, Copy)]
struct Block {
    from: usize,
    to: usize,
    path: u32,
    pass: u32,
}

fn blocks(lines: &[String]) -> Vec<Block> {
    let mut out = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        if let Some(rest) = line.strip_prefix("(path ") {
            let words: Vec<&str> = rest.trim_end_matches(')').split(' ').collect();
            // The jump stands before the comment.
            let from = if i > 0 && lines[i - 1].starts_with("G0") {
                i - 1
            } else {
                i
            };
            let to = (i..lines.len()).find(|&k| lines[k] == "M5").unwrap();
            out.push(Block {
                from,
                to,
                path: words[0].parse().unwrap(),
                pass: words[2].parse().unwrap(),
            });
        }
    }
    out
}

fn lines(text: &str) -> Vec<String> {
    text.lines().map(str::to_owned).collect()
}

fn shifted(line: &str, letter: char, by: f64) -> String {
    line.split(' ')
        .map(|w| match w.strip_prefix(letter) {
            Some(v) => format!("{letter}{:.4}", v.parse::<f64>().unwrap() + by),
            None => w.to_owned(),
        })
        .collect::<Vec<_>>()
        .join(" ")
}

/// The place that a line of motion leads to, job millimetres.
fn place(line: &str) -> [f64; 2] {
    let word = |letter: char| {
        line.split(' ')
            .find_map(|w| w.strip_prefix(letter)?.parse::<f64>().ok())
            .unwrap()
    };
    [word('X'), word('Y')]
}

fn motion_lines(lines: &[String]) -> Vec<usize> {
    (0..lines.len())
        .filter(|&i| lines[i].starts_with("G1 "))
        .collect()
}

fn caught(
    what: &str,
    seed: usize,
    fixture: &Fixture,
    spoilt: &[String],
    codes: &[&str],
    at_line: Option<usize>,
) {
    let verdict = fixture.prove_text(&(spoilt.join("\n") + "\n"));
    let found: Vec<&str> = verdict
        .findings
        .iter()
        .filter(|f| f.finding.severity == Severity::Blocking)
        .map(|f| f.finding.code.as_str())
        .collect();
    assert!(!verdict.passed, "{what} {seed}: not caught");
    assert!(
        codes.iter().any(|c| found.contains(c)),
        "{what} {seed}: {found:?} and none of {codes:?}"
    );
    if let Some(line) = at_line {
        assert!(
            line_named(&verdict, codes, line),
            "{what} {seed}: no fault at line {line}: {:#?}",
            verdict.findings
        );
    }
}

/// First line (from 1) of the cut that stands where another was taken out; of the last cut behind all.
fn stands(lines: &[String], from: usize) -> usize {
    let all = blocks(lines);
    let next = all.iter().find(|b| b.from >= from).or(all.last());
    1 + next.unwrap().from
}

fn line_named(verdict: &Verdict, codes: &[&str], line: usize) -> bool {
    verdict
        .findings
        .iter()
        .any(|f| codes.contains(&f.finding.code.as_str()) && f.line == Some(line as u32))
}

fn each(mut spoil: impl FnMut(&Subject, usize, &mut Dice)) {
    for subject in SUBJECTS.iter() {
        for seed in 0..subject.seeds {
            // Shown when it fails.
            println!("{} {seed}", subject.name);
            let mut dice = Dice::seeded(seed as u64);
            spoil(subject, seed, &mut dice);
        }
    }
}

#[test]
fn a_cut_removed() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        let b = dice.pick(&blocks(text));
        let mut spoilt = text.clone();
        spoilt.drain(b.from..=b.to);
        caught(
            "removed",
            seed,
            f,
            &spoilt,
            &["not-opened", "cut-open"],
            None,
        );
        caught(
            "removed",
            seed,
            f,
            &spoilt,
            &["cut-lost"],
            Some(stands(&spoilt, b.from)),
        );
    });
}

#[test]
fn a_cut_shifted_by_two_micrometres() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        let b = dice.pick(&blocks(text));
        let mut letter = dice.pick(&['X', 'Y']);
        if text[b.from..b.to].iter().any(|l| l.contains("single line")) {
            // Along itself a line that ends in other openings may be shifted: nothing comes out otherwise.
            let places = text[b.from..b.to].iter().filter(|l| l.starts_with('G'));
            let (mut low, mut high) = ([f64::MAX; 2], [f64::MIN; 2]);
            for p in places.map(|l| place(l)) {
                low = [low[0].min(p[0]), low[1].min(p[1])];
                high = [high[0].max(p[0]), high[1].max(p[1])];
            }
            letter = if high[0] - low[0] > high[1] - low[1] {
                'Y'
            } else {
                'X'
            };
        }
        let by = dice.pick(&[0.002, -0.002]);
        let mut spoilt = text.clone();
        for line in &mut spoilt[b.from..=b.to] {
            if line.starts_with('G') {
                *line = shifted(line, letter, by);
            }
        }
        caught(
            "shifted",
            seed,
            f,
            &spoilt,
            &["edge-over", "edge-short"],
            None,
        );
    });
}

#[test]
fn the_beam_left_on_during_a_jump() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        let all = blocks(text);
        let b = all[dice.below(all.len() - 1)];
        let mut spoilt = text.clone();
        spoilt.remove(b.to);
        let jump = (b.to..spoilt.len())
            .find(|&i| spoilt[i].starts_with("G0"))
            .unwrap();
        caught("beam", seed, f, &spoilt, &["beam-on-jump"], Some(jump + 1));
    });
}

#[test]
fn the_feed_missing() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        if seed == 0 {
            let first = motion_lines(text)[0];
            let spoilt: Vec<String> = text
                .iter()
                .map(|l| l.split(" F").next().unwrap().to_owned())
                .collect();
            caught("feed", seed, f, &spoilt, &["feed-missing"], Some(first + 1));
        }
        let mut zeroed = text.clone();
        let with_feed: Vec<usize> = (0..text.len())
            .filter(|&i| text[i].starts_with("G1") && text[i].contains(" F"))
            .collect();
        let i = dice.pick(&with_feed);
        zeroed[i] = format!("{} F0", text[i].split(" F").next().unwrap());
        caught("feed 0", seed, f, &zeroed, &["feed-missing"], Some(i + 1));
    });
}

#[test]
fn a_pass_lost() {
    each(|s, seed, dice| {
        let (f, text) = (s.with_passes(2), &s.jobs[1]);
        let b = dice.pick(&blocks(text));
        let mut spoilt = text.clone();
        spoilt.drain(b.from..=b.to);
        let line = stands(&spoilt, b.from);
        caught("pass", seed, &f, &spoilt, &["pass-missing"], Some(line));
    });
}

#[test]
fn passes_and_nested_cuts_out_of_order() {
    each(|s, seed, dice| {
        let (f, text) = (s.with_passes(2), &s.jobs[1]);
        let all = blocks(text);
        let a = dice.pick(&all);
        let other = *all
            .iter()
            .find(|b| b.path == a.path && b.pass != a.pass)
            .unwrap();
        let (first, second) = if a.from < other.from {
            (a, other)
        } else {
            (other, a)
        };
        let mut spoilt = text[..first.from].to_vec();
        spoilt.extend_from_slice(&text[second.from..=second.to]);
        spoilt.extend_from_slice(&text[first.to + 1..second.from]);
        spoilt.extend_from_slice(&text[first.from..=first.to]);
        spoilt.extend_from_slice(&text[second.to + 1..]);
        caught("order", seed, &f, &spoilt, &["order-passes"], None);
    });
    // A ring without bars: its inner cut must come first.
    let mut nested = demo();
    nested.openings = nested.drawn.clone();
    let text = lines(&nested.text());
    let all = blocks(&text);
    let codes = |lines: &[String]| {
        let v = nested.prove_text(&lines.join("\n"));
        v.counts.contains_key("order-nested")
    };
    assert!(!codes(&text));
    let mut swapped = text[..all[0].from].to_vec();
    for b in all.iter().rev() {
        swapped.extend_from_slice(&text[b.from..=b.to]);
    }
    swapped.extend_from_slice(&text[all[all.len() - 1].to + 1..]);
    assert!(codes(&swapped));
}

#[test]
fn a_tie_bar_cut_through() {
    each(|s, seed, dice| {
        if s.islands.is_empty() {
            return;
        }
        // All bars of an island cut straight across: it falls out.
        let half_mm = s.fixture.recipe.tie_bars.width_um * 0.75e-3;
        let mut spoilt = s.jobs[0].clone();
        let end = spoilt.iter().rposition(|l| l == "M5").unwrap() + 1;
        let aside = dice.below(40) as f64 * 1e-3 - 0.02;
        let mut extra = Vec::new();
        for &[x, y, dx, dy] in &s.islands[dice.below(s.islands.len())] {
            let at = |by: f64| {
                let p = [x + aside * dx - by * dy, y + aside * dy + by * dx];
                let [x, y] = s.page_to_job(p);
                format!("X{x:.4} Y{y:.4}")
            };
            extra.push(format!("G0 {}", at(-half_mm)));
            extra.push("M3".to_owned());
            extra.push(format!("G1 {}", at(half_mm)));
            extra.push("M5".to_owned());
        }
        spoilt.splice(end..end, extra);
        caught("bar", seed, &s.fixture, &spoilt, &["foil-loose"], None);
    });
}

#[test]
fn a_coordinate_without_its_sign_or_point() {
    let codes = [
        "outside-field",
        "outside-sheet",
        "edge-over",
        "cut-open",
        "cut-in-metal",
        "edge-short",
    ];
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        let mut spoilt = text.clone();
        let signed: Vec<usize> = motion_lines(text)
            .into_iter()
            .filter(|&i| text[i].contains('-'))
            // A detour within an opening changes nothing: all there is waste.
            .filter(|&i| !s.opens(place(&text[i].replacen('-', "", 1))))
            .collect();
        if signed.is_empty() {
            return;
        }
        let i = dice.pick(&signed);
        spoilt[i] = text[i].replacen('-', "", 1);
        println!("{} becomes {}", text[i], spoilt[i]);
        caught("sign", seed, f, &spoilt, &codes, None);
        let mut spoilt = text.clone();
        let i = dice.pick(&motion_lines(text));
        spoilt[i] = text[i].replacen('.', "", 1);
        caught("point", seed, f, &spoilt, &codes, Some(i + 1));
    });
}

#[test]
fn units_switched() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        let mut spoilt = text.clone();
        // Anywhere before the last path.
        let all = blocks(text);
        let b = all[dice.below(all.len())];
        spoilt.insert(b.from, "G20".to_owned());
        caught(
            "units",
            seed,
            f,
            &spoilt,
            &["outside-field", "outside-sheet", "not-opened", "cut-open"],
            None,
        );
    });
}

#[test]
fn a_truncated_file() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, s.jobs[0].join("\n") + "\n");
        let cut = dice.below(text.len() - 4);
        caught(
            "truncated",
            seed,
            f,
            &lines(&text[..cut]),
            &["truncated"],
            None,
        );
    });
}

#[test]
fn the_kerf_on_the_wrong_side() {
    each(|s, seed, dice| {
        let (f, good) = (&s.fixture, &s.jobs[0]);
        // One path of the right job, turned inside out: moved outwards by a whole kerf from its own way.
        let closed: Vec<Block> = blocks(good)
            .into_iter()
            .filter(|b| {
                good[b.from..b.to]
                    .iter()
                    .filter(|l| l.starts_with("G1"))
                    .count()
                    > 3
            })
            .collect();
        let b = dice.pick(&closed);
        let ring: Vec<foilwright::regions::Point> = good[b.from..b.to]
            .iter()
            .filter(|l| l.starts_with("G1"))
            .map(|l| place(l).map(|v| (v * 1e6).round() as i32))
            .map(|[x, y]| foilwright::regions::Point::new(x, y))
            .collect();
        let way = foilwright::regions::normalise(&[ring], foilwright::regions::FillRule::NonZero);
        let wrong = outset(&way, f.recipe.kerf.width_um * 1e3, 50.0);
        let mut spoilt = good[..b.from].to_vec();
        // Power and feed may have been set in the path that goes.
        spoilt.push(format!("S{}", f.recipe.laser.power_percent * 10.0));
        for ring in wrong.rings() {
            let at = |i: usize| {
                let p = ring[i % ring.len()];
                format!("X{:.4} Y{:.4}", f64::from(p.x) / 1e6, f64::from(p.y) / 1e6)
            };
            spoilt.push(format!("G0 {}", at(0)));
            spoilt.push("M3".to_owned());
            let feed = f.recipe.scan.cut_speed_mm_s * 60.0;
            spoilt.extend((1..=ring.len()).map(|i| format!("G1 {} F{feed}", at(i))));
            spoilt.push("M5".to_owned());
        }
        spoilt.extend_from_slice(&good[b.to + 1..]);
        caught(
            "side",
            seed,
            f,
            &spoilt,
            &["edge-over", "cut-in-metal"],
            None,
        );
    });
}

#[test]
fn a_cut_twice() {
    each(|s, seed, dice| {
        let (f, text) = (&s.fixture, &s.jobs[0]);
        let b = dice.pick(&blocks(text));
        let mut spoilt = text.clone();
        let copy = text[b.from..=b.to].to_vec();
        spoilt.splice(b.to + 1..b.to + 1, copy);
        let range = b.to + 1..=b.to + 1 + (b.to - b.from);
        let verdict = f.prove_text(&(spoilt.join("\n") + "\n"));
        let told = |line: u32| range.contains(&(line as usize - 1));
        let right = (verdict.findings.iter())
            .any(|x| x.finding.code == "cut-repeated" && x.line.is_some_and(told));
        assert!(
            !verdict.passed && right,
            "twice {seed}: {:#?}",
            verdict.findings
        );
    });
}

/// Each cut taken out of each format in turn: told with the line it stood on, by its own number and by the foil.
#[test]
fn a_cut_lost_from_any_format_is_told_with_its_line() {
    for (format, first, last) in [("svg", "<path ", "/>"), ("dxf", "path ", "SEQEND")] {
        let f = demo();
        let (name, bytes) = f.file(format);
        let text = lines(std::str::from_utf8(&bytes).unwrap());
        let starts = |i: &usize| text[*i].starts_with(first);
        // A DXF value stands below its code, and a SEQEND names its layer once more.
        let (above, below) = if format == "dxf" { (1, 2) } else { (0, 0) };
        let cuts: Vec<(usize, usize)> = (0..text.len())
            .filter(starts)
            .map(|i| {
                let to = (i..text.len()).find(|&k| text[k].ends_with(last));
                (i - above, to.unwrap() + below)
            })
            .collect();
        assert!(cuts.len() > 5, "{format}: {} cuts", cuts.len());
        for (k, &(from, to)) in cuts.iter().enumerate() {
            let mut spoilt = text.clone();
            spoilt.drain(from..=to);
            let verdict = f.prove(&name, (spoilt.join("\n") + "\n").as_bytes());
            // What came after it stands there now; after the last cut there is the one before.
            let line = 1 + if k + 1 < cuts.len() {
                from
            } else {
                cuts[k - 1].0
            };
            for codes in [&["cut-lost"][..], &["not-opened", "cut-open"]] {
                assert!(
                    line_named(&verdict, codes, line),
                    "{format} {k}: no {codes:?} at line {line}: {:#?}",
                    verdict.findings
                );
            }
        }
    }
}

/// Two cuts of one pass that change places open the same foil, but not in the order that was planned.
#[test]
fn cuts_that_changed_places_are_told() {
    let f = demo();
    let text = lines(&f.text());
    let all = blocks(&text);
    let (a, b) = (all[1], all[4]);
    let spoilt = [
        &text[..a.from],
        &text[b.from..=b.to],
        &text[a.to + 1..b.from],
        &text[a.from..=a.to],
        &text[b.to + 1..],
    ]
    .concat();
    let verdict = f.prove_text(&(spoilt.join("\n") + "\n"));
    let moved: Vec<u32> = (verdict.findings.iter())
        .filter(|x| x.finding.code == "cut-moved")
        .filter_map(|x| x.line)
        .collect();
    let first = 1 + a.from as u32;
    assert_eq!(moved.first(), Some(&first), "{:#?}", verdict.findings);
    assert_eq!(moved.len(), 2);
}

/// The plan's steps say their numbers: a cut that is lost or has changed places is told with its step.
#[test]
fn a_cut_lost_from_the_plan_or_moved_in_it_is_told_with_its_step() {
    let f = demo();
    let (name, bytes) = f.file("plan");
    let plan: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    let steps = plan["steps"].as_array().unwrap();
    let cuts: Vec<usize> = (0..steps.len())
        .filter(|&i| steps[i]["do"] == "cut")
        .collect();
    assert!(cuts.len() > 5);
    let prove = |steps: Vec<serde_json::Value>| {
        let mut spoilt = plan.clone();
        spoilt["steps"] = steps.into();
        f.prove(&name, spoilt.to_string().as_bytes())
    };
    for (k, &i) in cuts.iter().enumerate() {
        // With the jump to it, and without.
        for from in [i - 1, i] {
            assert_eq!(steps[i - 1]["do"], "jump");
            let mut spoilt = steps.clone();
            spoilt.drain(from..=i);
            let verdict = prove(spoilt);
            // The next cut's step, from 1, or that of the last.
            let step = match cuts.get(k + 1) {
                Some(&next) => next - (i - from),
                None => cuts[k - 1] + 1,
            };
            assert!(
                line_named(&verdict, &["cut-lost"], step),
                "{k} from {from}: no cut-lost at {step}: {:#?}",
                verdict.findings
            );
        }
    }
    let mut spoilt = steps.clone();
    for side in [0, 1] {
        spoilt.swap(cuts[1] - side, cuts[4] - side);
    }
    let verdict = prove(spoilt);
    for i in [cuts[1], cuts[4]] {
        assert!(
            line_named(&verdict, &["cut-moved"], i + 1),
            "{:#?}",
            verdict.findings
        );
    }
}

/// What a file says of names and numbers may be lost, one by one or all: the same foil is cut, in the same order.
#[test]
fn names_and_numbers_that_are_lost_raise_nothing() {
    for (format, words) in [
        ("rs274", &["(path ", "(cut "][..]),
        ("svg", &["data-cut", "data-path", "data-pass"]),
        ("dxf", &["path "]),
    ] {
        let mut f = demo();
        f.recipe.passes.count = 2;
        let (name, bytes) = f.file(format);
        let text = String::from_utf8(bytes).unwrap();
        let without = |chosen: &dyn Fn(usize) -> bool, words: &[&str]| {
            let mut n = 0;
            let mut out = String::new();
            let mut rest = text.lines().peekable();
            while let Some(line) = rest.next() {
                let line = line.to_owned();
                // A comment goes whole, in DXF with the code above it, an attribute with its value.
                let (held, other) = match (format, rest.peek()) {
                    ("dxf", Some(next)) if line == "999" && next.starts_with(words[0]) => {
                        (true, String::new())
                    }
                    ("rs274", _) => (words.iter().any(|w| line.starts_with(w)), String::new()),
                    ("svg", _) => {
                        let mut other = line.clone();
                        for w in words {
                            if let Some(at) = other.find(&format!("{w}=\"")) {
                                let value = at + w.len() + 2;
                                let end = value + other[value..].find('"').unwrap();
                                other.replace_range(at..=end, "");
                            }
                        }
                        (other != line, other + "\n")
                    }
                    _ => (false, String::new()),
                };
                let gone = held && chosen(n);
                n += usize::from(held);
                if !gone {
                    out += &line;
                    out.push('\n');
                    continue;
                }
                out += &other;
                if format == "dxf" {
                    rest.next();
                }
            }
            (out, n)
        };
        let raises_nothing = |spoilt: &str, what: &str| {
            let verdict = f.prove(&name, spoilt.as_bytes());
            let told = (verdict.findings.iter())
                .filter(|x| x.finding.severity != Severity::Note)
                .count();
            assert!(
                verdict.passed && told == 0,
                "{format}, {what}: {:#?}",
                verdict.findings
            );
        };
        raises_nothing(&without(&|_| true, words).0, "all");
        for word in words {
            let word = std::slice::from_ref(word);
            let (all, count) = without(&|_| true, word);
            assert!(count > 10, "{format} {word:?}");
            assert!(!all.contains(word[0]));
            raises_nothing(&all, word[0]);
            for k in 0..count {
                raises_nothing(&without(&|n| n == k, word).0, &format!("{} {k}", word[0]));
            }
        }
    }
}

/// A copy is told as such: what stands beside it has not moved.
#[test]
fn cuts_beside_a_copy_have_not_moved() {
    let f = demo();
    let text = lines(&f.text());
    let all = blocks(&text);
    for k in 0..all.len() {
        for at in [all[0].from, all[all.len() - 1].to + 1] {
            let copied = &text[all[k].from..=all[k].to];
            let spoilt = [&text[..at], copied, &text[at..]].concat();
            let verdict = f.prove_text(&(spoilt.join("\n") + "\n"));
            assert!(!verdict.passed);
            let codes: Vec<&str> = (verdict.findings.iter())
                .map(|x| x.finding.code.as_str())
                .collect();
            assert!(codes.contains(&"cut-repeated"), "{k} {at}: {codes:?}");
            assert!(!codes.contains(&"cut-moved"), "{k} {at}: {codes:?}");
        }
    }
}
