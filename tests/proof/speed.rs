//! Speed: the proof of a large job against the making of it.

use super::fixture::{Fixture, polygon, recipe};
use foilwright::regions::Regions;
use std::time::Instant;

/// 200 x 200 openings of 32 vertices, 80 um wide every 120 um.
fn lattice() -> Fixture {
    let mut drawn = Regions::new();
    for j in 0..200 {
        for i in 0..200 {
            let (x, y) = (1000.0 + 120.0 * f64::from(i), 1000.0 + 120.0 * f64::from(j));
            let ring: Vec<(f64, f64)> = (0..32)
                .map(|k| {
                    let a = f64::from(k) / 32.0 * std::f64::consts::TAU;
                    (x + 40.0 * a.cos(), y + 40.0 * a.sin())
                })
                .collect();
            drawn.extend(&polygon(&ring));
        }
    }
    Fixture {
        openings: drawn.clone(),
        drawn,
        recipe: recipe(),
        sheet_mm: [0.0, 0.0, 26.0, 26.0],
    }
}

#[test]
#[ignore = "slow: run with --ignored --nocapture and read the figures"]
fn slow_forty_thousand_openings() {
    let f = lattice();
    let t = Instant::now();
    let text = f.text();
    let made = t.elapsed();
    let t = Instant::now();
    let job = f.read("a.nc", text.as_bytes());
    let read = t.elapsed();
    let t = Instant::now();
    let verdict = foilwright::proof::prove(&job, &f.layer(), f.sheet_mm, &f.recipe);
    let proved = t.elapsed();
    println!(
        "openings to job {made:.2?}; read {read:.2?}; proved {proved:.2?}; {} bytes",
        text.len()
    );
    println!("{:?}", verdict.as_cut);
    assert!(verdict.passed, "{:?}", verdict.findings);
    assert_eq!(verdict.as_cut.openings_cut, 40_000);
}
