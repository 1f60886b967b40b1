//! Spoilt jobs: twelve kinds of damage, each seeded, each caught with the right code.

use super::fixture::{Fixture, demo};
use crate::support::dice::Dice;
use foilwright::finding::Severity;
use foilwright::proof::Verdict;

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

fn line_named(verdict: &Verdict, codes: &[&str], line: usize) -> bool {
    verdict
        .findings
        .iter()
        .any(|f| codes.contains(&f.finding.code.as_str()) && f.line == Some(line as u32))
}

const SEEDS: usize = 26;

fn each(mut spoil: impl FnMut(usize, &mut Dice)) {
    for seed in 0..SEEDS {
        let mut dice = Dice::seeded(seed as u64);
        spoil(seed, &mut dice);
    }
}

fn multi() -> Fixture {
    let mut f = demo();
    f.recipe.passes.count = 2;
    f
}

#[test]
fn a_cut_removed() {
    let f = demo();
    let text = lines(&f.text());
    each(|seed, dice| {
        let b = dice.pick(&blocks(&text));
        let mut spoilt = text.clone();
        spoilt.drain(b.from..=b.to);
        caught(
            "removed",
            seed,
            &f,
            &spoilt,
            &["not-opened", "cut-open"],
            None,
        );
    });
}

#[test]
fn a_cut_shifted_by_two_micrometres() {
    let f = demo();
    let text = lines(&f.text());
    each(|seed, dice| {
        let b = dice.pick(&blocks(&text));
        let letter = dice.pick(&['X', 'Y']);
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
            &f,
            &spoilt,
            &["edge-over", "edge-short"],
            None,
        );
    });
}

#[test]
fn the_beam_left_on_during_a_jump() {
    let f = demo();
    let text = lines(&f.text());
    each(|seed, dice| {
        let all = blocks(&text);
        let b = all[dice.below(all.len() - 1)];
        let mut spoilt = text.clone();
        spoilt.remove(b.to);
        let jump = (b.to..spoilt.len())
            .find(|&i| spoilt[i].starts_with("G0"))
            .unwrap();
        caught("beam", seed, &f, &spoilt, &["beam-on-jump"], Some(jump + 1));
    });
}

#[test]
fn the_feed_missing() {
    let f = demo();
    let text = lines(&f.text());
    let first = motion_lines(&text)[0];
    let spoilt: Vec<String> = text
        .iter()
        .map(|l| l.split(" F").next().unwrap().to_owned())
        .collect();
    caught("feed", 0, &f, &spoilt, &["feed-missing"], Some(first + 1));
    each(|seed, dice| {
        let mut zeroed = text.clone();
        let with_feed: Vec<usize> = (0..text.len())
            .filter(|&i| text[i].contains(" F"))
            .collect();
        let i = dice.pick(&with_feed);
        zeroed[i] = format!("{} F0", text[i].split(" F").next().unwrap());
        caught("feed 0", seed, &f, &zeroed, &["feed-missing"], Some(i + 1));
    });
}

#[test]
fn a_pass_lost() {
    let f = multi();
    let text = lines(&f.text());
    each(|seed, dice| {
        let b = dice.pick(&blocks(&text));
        let mut spoilt = text.clone();
        spoilt.drain(b.from..=b.to);
        caught("pass", seed, &f, &spoilt, &["pass-missing"], None);
    });
}

#[test]
fn passes_and_nested_cuts_out_of_order() {
    let f = multi();
    let text = lines(&f.text());
    each(|seed, dice| {
        let all = blocks(&text);
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
    let f = demo();
    let text = lines(&f.text());
    each(|seed, dice| {
        // Both bars cut straight across: the island falls out. Page (2.1, 3) is job (-2.9, 1).
        let mut spoilt = text.clone();
        let end = spoilt.iter().rposition(|l| l == "M5").unwrap();
        let dy = dice.below(40) as f64 * 1e-3 - 0.02;
        let mut extra = Vec::new();
        for x in [-3.2, -0.8] {
            extra.push(format!("G0 X{x} Y{:.4}", 0.85 + dy));
            extra.push("M3".to_owned());
            extra.push(format!("G1 X{x} Y{:.4}", 1.15 + dy));
            extra.push("M5".to_owned());
        }
        spoilt.splice(end..end, extra);
        caught("bar", seed, &f, &spoilt, &["foil-loose"], None);
    });
}

#[test]
fn a_coordinate_without_its_sign_or_point() {
    let f = demo();
    let text = lines(&f.text());
    let codes = [
        "outside-field",
        "outside-sheet",
        "edge-over",
        "cut-open",
        "cut-in-metal",
        "edge-short",
    ];
    each(|seed, dice| {
        let mut spoilt = text.clone();
        let signed: Vec<usize> = motion_lines(&text)
            .into_iter()
            .filter(|&i| text[i].contains('-'))
            .collect();
        let i = dice.pick(&signed);
        spoilt[i] = text[i].replacen('-', "", 1);
        caught("sign", seed, &f, &spoilt, &codes, None);
        let mut spoilt = text.clone();
        let i = dice.pick(&motion_lines(&text));
        spoilt[i] = text[i].replacen('.', "", 1);
        caught("point", seed, &f, &spoilt, &codes, Some(i + 1));
    });
}

#[test]
fn units_switched() {
    let f = demo();
    let text = lines(&f.text());
    each(|seed, dice| {
        let mut spoilt = text.clone();
        // Anywhere before the last path.
        let all = blocks(&text);
        let b = all[dice.below(all.len())];
        spoilt.insert(b.from, "G20".to_owned());
        caught(
            "units",
            seed,
            &f,
            &spoilt,
            &["outside-field", "outside-sheet", "not-opened", "cut-open"],
            None,
        );
    });
}

#[test]
fn a_truncated_file() {
    let f = demo();
    let text = f.text();
    each(|seed, dice| {
        let cut = dice.below(text.len() - 4);
        caught(
            "truncated",
            seed,
            &f,
            &lines(&text[..cut]),
            &["truncated"],
            None,
        );
    });
}

#[test]
fn the_kerf_on_the_wrong_side() {
    let f = demo();
    // Paths that run outside the openings by half the kerf: the openings grown by a whole kerf.
    let mut wrong = demo();
    wrong.openings = foilwright::regions::outset(&f.openings, 8000.0, 50.0);
    let text = lines(&wrong.text());
    let whole = f.prove_text(&text.join("\n"));
    assert!(!whole.passed);
    let good = lines(&f.text());
    each(|seed, dice| {
        // One path of the right job exchanged for the wrong one.
        let (a, b) = (blocks(&good), blocks(&text));
        assert_eq!(a.len(), b.len());
        let k = dice.below(a.len());
        let mut spoilt = good[..a[k].from].to_vec();
        spoilt.extend_from_slice(&text[b[k].from..=b[k].to]);
        spoilt.extend_from_slice(&good[a[k].to + 1..]);
        caught("side", seed, &f, &spoilt, &["edge-over"], None);
    });
}

#[test]
fn a_cut_twice() {
    let f = demo();
    let text = lines(&f.text());
    each(|seed, dice| {
        let b = dice.pick(&blocks(&text));
        let mut spoilt = text.clone();
        let copy = text[b.from..=b.to].to_vec();
        spoilt.splice(b.to + 1..b.to + 1, copy);
        caught("twice", seed, &f, &spoilt, &["cut-repeated"], None);
    });
}
