//! Verdicts on whole jobs: untouched ones raise nothing, spoilt ones are caught with the right code.

use super::fixture::{Fixture, demo};

fn quiet(fixture: &Fixture, format: &str) {
    let (name, bytes) = fixture.file(format);
    let verdict = fixture.prove(&name, &bytes);
    let blocking: Vec<_> = verdict
        .findings
        .iter()
        .map(|f| {
            (
                f.finding.code.as_str(),
                f.finding.message.as_str(),
                f.finding.at_mm,
                f.line,
            )
        })
        .collect();
    assert!(blocking.is_empty(), "{format}: {blocking:#?}");
    assert!(verdict.passed);
}

#[test]
fn untouched_jobs_raise_nothing() {
    for format in ["rs274", "svg", "plan"] {
        quiet(&demo(), format);
        let mut passes = demo();
        passes.recipe.passes.count = 3;
        quiet(&passes, format);
    }
}

#[test]
fn the_as_cut_foil_is_what_was_asked_for() {
    let f = demo();
    let v = f.prove_text(&f.text());
    assert_eq!(v.as_cut.bars.len(), 2, "{:?}", v.as_cut.bars);
    for bar in &v.as_cut.bars {
        assert!((bar.width_um - 100.0).abs() < 0.3, "{bar:?}");
    }
    assert_eq!(v.as_cut.openings_cut, f.drawn.len());
    assert_eq!(v.as_cut.loose, []);
    assert!(v.as_cut.edge_error_max_um < 0.3, "{:?}", v.as_cut);
    // Four squares, the disc, the angle, the opening on the island and the two halves of the ring.
    assert_eq!(v.as_cut.slugs, 4 + 1 + 1 + 1 + 2);
    // Squares 300 um wide stand every 400 um.
    let min_web = f.recipe.min_web_um();
    assert!(
        v.as_cut.narrowest_web_um.is_none() && v.as_cut.web_searched_um < 100.0,
        "{min_web}"
    );
}
