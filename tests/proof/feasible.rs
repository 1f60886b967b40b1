//! What a round beam cannot do is no fault, and only that: thin webs, slits, tips, dots, foil that meets in a
//! point. Each case is also shown with a cut left out, which is one.

use super::fixture::{Fixture, SHEET_MM, polygon, recipe, rect};
use foilwright::regions::{Regions, difference, union};

fn fixture(drawn: &Regions, openings: &Regions) -> Fixture {
    Fixture {
        drawn: drawn.clone(),
        openings: openings.clone(),
        recipe: recipe(),
        sheet_mm: SHEET_MM,
    }
}

/// Codes of the findings that block.
fn faults(drawn: &Regions, openings: &Regions) -> Vec<String> {
    let f = fixture(drawn, openings);
    let v = f.prove_text(&f.text());
    v.findings
        .iter()
        .filter(|f| f.finding.severity == foilwright::finding::Severity::Blocking)
        .map(|f| f.finding.code.clone())
        .collect()
}

#[test]
fn a_cut_behind_a_thin_web_is_not_the_cut_of_this_edge() {
    for web in [0.3, 1.0, 5.0] {
        let left = rect(2000.0, 2000.0, 1000.0, 1000.0);
        let right = rect(3000.0 + web, 2000.0, 1000.0, 1000.0);
        let both = union(&left, &right);
        assert_eq!(both.len(), 2);
        assert!(faults(&both, &both).is_empty(), "{web}");
        assert_eq!(faults(&both, &left), ["not-opened"], "{web}");
    }
}

#[test]
fn a_slit_out_of_a_wide_opening_is_cut_or_missed() {
    let square = rect(2000.0, 2000.0, 500.0, 500.0);
    for width in [5.0, 6.5, 7.9] {
        let drawn = union(&square, &rect(2400.0, 2200.0, 400.0, width));
        assert_eq!(drawn.len(), 1);
        assert!(faults(&drawn, &drawn).is_empty(), "{width}");
        let missed = faults(&drawn, &square);
        assert!(
            missed.contains(&"not-opened".to_owned()),
            "{width}: {missed:?}"
        );
    }
}

#[test]
fn tips_of_any_angle_come_out_rounded() {
    for degrees in [1.0f64, 3.0, 5.0, 8.0, 15.0, 40.0, 70.0, 120.0] {
        let (s, c) = (degrees / 2.0).to_radians().sin_cos();
        let tip = [
            (2000.0, 3000.0),
            (2000.0 + 1000.0 * c, 3000.0 - 1000.0 * s),
            (2000.0 + 1000.0 * c, 3000.0 + 1000.0 * s),
        ];
        let whole = polygon(&tip);
        assert!(faults(&whole, &whole).is_empty(), "{degrees}");
        // The point cut off, 3 um wide: two blunt corners where there was a sharp one.
        let half = 1.5 / (degrees / 2.0).to_radians().tan();
        let cut_off = [
            (2000.0 + half, 2998.5),
            tip[1],
            tip[2],
            (2000.0 + half, 3001.5),
        ];
        let blunt = polygon(&cut_off);
        assert!(faults(&blunt, &blunt).is_empty(), "blunt {degrees}");
    }
}

#[test]
fn a_dot_is_one_touch_of_the_beam() {
    let dot = polygon(&[(2000.0, 2000.0), (2006.0, 2001.0), (2003.0, 2006.0)]);
    assert!(faults(&dot, &dot).is_empty());
    let other = rect(3000.0, 2000.0, 500.0, 500.0);
    assert_eq!(faults(&union(&dot, &other), &other), ["not-opened"]);
}

#[test]
fn foil_that_meets_in_a_point_is_held_by_a_bar_over_it() {
    // Openings above left and below right; the foil between them meets at (3000, 3000).
    let drawn = union(
        &rect(2000.0, 2000.0, 1000.0, 1000.0),
        &rect(3000.0, 3000.0, 1000.0, 1000.0),
    );
    let half = 35.4;
    let bar = polygon(&[
        (3000.0 - 40.0 - half, 3000.0 + 40.0 - half),
        (3000.0 + 40.0 - half, 3000.0 - 40.0 - half),
        (3000.0 + 40.0 + half, 3000.0 - 40.0 + half),
        (3000.0 - 40.0 + half, 3000.0 + 40.0 + half),
    ]);
    assert_eq!(
        faults(&drawn, &difference(&drawn, &bar)),
        Vec::<String>::new()
    );
    let f = fixture(&drawn, &difference(&drawn, &bar));
    let bars = f.prove_text(&f.text()).as_cut.bars;
    assert!(!bars.is_empty());
    // As much left at a corner behind which the foil is wide is an opening that is not cut.
    let alone = rect(2000.0, 2000.0, 1000.0, 1000.0);
    assert!(!faults(&alone, &difference(&alone, &bar)).is_empty());
    // So is more than a bar.
    let wide = rect(2700.0, 2700.0, 600.0, 600.0);
    assert!(!faults(&drawn, &difference(&drawn, &wide)).is_empty());
}

#[test]
fn a_web_too_thin_to_hold_may_be_made_wider() {
    // A web of 10 um between two openings, made 100 um wide over 60 um of its length.
    let drawn = union(
        &rect(2000.0, 2000.0, 1000.0, 500.0),
        &rect(2000.0, 2510.0, 1000.0, 500.0),
    );
    let bar = rect(2500.0, 2455.0, 60.0, 110.0);
    assert!(faults(&drawn, &difference(&drawn, &bar)).is_empty());
    // A web that holds needs none of it.
    let drawn = union(
        &rect(2000.0, 2000.0, 1000.0, 500.0),
        &rect(2000.0, 2540.0, 1000.0, 500.0),
    );
    let bar = rect(2500.0, 2460.0, 60.0, 120.0);
    assert!(!faults(&drawn, &difference(&drawn, &bar)).is_empty());
}
