//! Hostile input: no reader panics, whatever it is fed.

use super::fixture::{Fixture, SHEET_MM, demo};
use foilwright::proof::{Dialect, prove, read};
use proptest::prelude::*;
use std::sync::LazyLock;

static DEMO: LazyLock<Fixture> = LazyLock::new(demo);
static FILES: LazyLock<Vec<(String, Vec<u8>)>> = LazyLock::new(|| {
    ["rs274", "svg", "plan", "dxf"]
        .map(|f| DEMO.file(f))
        .to_vec()
});

const NAMES: [&str; 4] = ["a.nc", "a.cut.svg", "a.plan.json", "a.dxf"];

fn feed(name: &str, bytes: &[u8]) {
    let dialect = Dialect::from_recipe(&DEMO.recipe);
    if let Ok(job) = read(name, bytes, &dialect) {
        let verdict = prove(&job, &DEMO.layer(), SHEET_MM, &DEMO.recipe);
        // Whatever came of it, the verdict is words and finite figures.
        let text = serde_json::to_string(&verdict).unwrap();
        let known = ["bar_um", "web_um", "web_mm"].map(|k| format!("\"narrowest_{k}\":null"));
        let rest = known.iter().fold(text.clone(), |t, k| t.replace(k, ""));
        assert!(!rest.contains("null"), "{text}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn bytes(bytes in prop::collection::vec(any::<u8>(), 0..600), kind in 0..4usize) {
        feed(NAMES[kind], &bytes);
    }

    #[test]
    fn damaged_files(
        kind in 0..4usize,
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..3u8), 1..6),
    ) {
        let (name, bytes) = &FILES[kind];
        let mut bytes = bytes.clone();
        for (at, byte, what) in edits {
            let i = at.index(bytes.len());
            match what {
                0 => bytes[i] = byte,
                1 => { bytes.remove(i); }
                _ => bytes.insert(i, b"0123456789.-eNGXM"[byte as usize % 17]),
            }
        }
        feed(name, &bytes);
    }

    #[test]
    fn group_codes(
        pairs in prop::collection::vec(
            (
                prop::sample::select(vec![0u16, 2, 8, 10, 20, 11, 21, 42, 66, 70, 999]),
                prop::sample::select(vec![
                    "SECTION", "ENTITIES", "POLYLINE", "VERTEX", "LINE", "SEQEND", "ENDSEC", "EOF", "0", "1",
                    "-1e9", "1e308", "nan", "inf", "path 1 pass 1", "sheet_mm: 0 0 nan 1", "sheet_mm: 0 0 5 5",
                ]),
            ),
            0..80,
        )
    ) {
        let mut text = "0\nSECTION\n2\nENTITIES\n".to_owned();
        for (code, value) in pairs {
            text.push_str(&format!("{code}\n{value}\n"));
        }
        feed("a.dxf", text.as_bytes());
    }
}

#[test]
fn the_wrong_kind_of_file_is_refused_with_words() {
    let dialect = Dialect::from_recipe(&DEMO.recipe);
    for (name, text, wanted) in [
        ("a.txt", "", "no job file of a kind known here"),
        ("a.cut.svg", "<html/>", "its root is <html>"),
        (
            "a.cut.svg",
            "<svg xmlns='http://www.w3.org/2000/svg'/>",
            "width and height with units",
        ),
        ("a.dxf", "hello", "line 1 should be a group code"),
        ("a.plan.json", "{}", "missing field"),
    ] {
        let e = read(name, text.as_bytes(), &dialect)
            .unwrap_err()
            .to_string();
        assert!(e.contains(wanted), "{name}: {e}");
    }
}

/// Files of a megabyte that ask for far more: refused, or read, but not for long.
#[test]
fn small_files_that_ask_for_much_are_bounded() {
    let dialect = Dialect::from_recipe(&DEMO.recipe);
    let arcs = "G2 X50 Y0 I-50 J0\n".repeat(20_000);
    let off = format!("G21 G90\nF600 S500\nG0 X50 Y0\n{arcs}M5\nM2\n");
    let on = off.replacen("G2", "M3\nG2", 1);
    let curves = "C50 50 -50 50 -50 0C-50 -50 50 -50 50 0".repeat(20_000);
    let svg = |d: &str| {
        format!(
            "<svg xmlns='http://www.w3.org/2000/svg' width='9000mm' height='9000mm' viewBox='0 0 90 90'><path d='M50 0{d}'/></svg>"
        )
    };
    let begin = std::time::Instant::now();
    for (name, text) in [("a.nc", off), ("a.nc", on), ("a.cut.svg", svg(&curves))] {
        let error = read(name, text.as_bytes(), &dialect)
            .unwrap_err()
            .to_string();
        assert!(error.contains("more than 30000000 points"), "{error}");
    }
    for d in ["C1e300 0 1 1 2 2", "C1e9 0 1 1 2 2", "L1e8 1e8"] {
        let job = read("a.cut.svg", svg(d).as_bytes(), &dialect).unwrap();
        assert_eq!(job.faults.listed()[0].finding.code, "unreadable", "{d}");
    }
    // On a machine that does other things too.
    assert!(begin.elapsed().as_secs() < 240, "{:?}", begin.elapsed());
}

/// A number from 0 to 1 for each call, always the same ones.
fn random(state: &mut u64) -> f64 {
    *state = state
        .wrapping_mul(6364136223846793005)
        .wrapping_add(1442695040888963407);
    (*state >> 33) as f64 / (1u64 << 31) as f64
}

#[test]
fn a_pause_without_end_is_told_of_and_ends() {
    let (_, bytes) = DEMO.file("plan");
    let mut plan: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    let pause = serde_json::json!({"do": "dwell", "seconds": 1e308, "reason": "none"});
    plan["steps"].as_array_mut().unwrap().insert(0, pause);
    let dialect = Dialect::from_recipe(&DEMO.recipe);
    let job = read("a.plan.json", plan.to_string().as_bytes(), &dialect).unwrap();
    assert!(
        job.faults
            .listed()
            .iter()
            .any(|f| f.finding.code == "dwell-long")
    );
    let options = foilwright::heat::SimOptions {
        cell_um: Some(400.0),
        ..Default::default()
    };
    let heat = foilwright::heat::simulate(&job.motion, &DEMO.recipe, options);
    assert!(heat.memory.peak_k.is_finite());
}

#[test]
#[ignore = "slow: some CPU seconds"]
fn slow_a_megabyte_of_long_cuts() {
    let mut state = 7;
    let mut place = || {
        format!(
            "X{:.3}Y{:.3}",
            24.0 * random(&mut state) - 12.0,
            24.0 * random(&mut state) - 12.0
        )
    };
    let head = "G21\nG90\nG17\nG94\nM5\nS250\nF6000\n";
    let lines: String = (0..22_000)
        .map(|_| format!("G0{}\nM3\nG1{}\nM5\n", place(), place()))
        .collect();
    let poly: String = (0..65_000).map(|_| format!("G1{}\n", place())).collect();
    for text in [
        format!("{head}{lines}M2\n"),
        format!("{head}G0X0Y0\nM3\n{poly}M5\nM2\n"),
    ] {
        let begun = std::time::Instant::now();
        feed("a.nc", text.as_bytes());
        println!(
            "{} kB: {:.1} s",
            text.len() / 1000,
            begun.elapsed().as_secs_f64()
        );
    }
}
