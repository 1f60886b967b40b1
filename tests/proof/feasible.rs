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

#[test]
fn islands_that_meet_in_a_point_are_held_together_over_it() {
    // Two squares of foil in one opening meet at (3000, 3000) with their tips, and hang on the rest by a bar each.
    let islands = union(
        &rect(2000.0, 2000.0, 1000.0, 1000.0),
        &rect(3000.0, 3000.0, 1000.0, 1000.0),
    );
    let drawn = difference(&rect(1500.0, 1500.0, 3000.0, 3000.0), &islands);
    let bars = union(
        &rect(2450.0, 1500.0, 100.0, 500.0),
        &rect(3450.0, 4000.0, 100.0, 500.0),
    );
    let hung = difference(&drawn, &bars);
    for (along, across) in [(18.0, 50.0), (40.0, 50.0), (60.0, 40.0)] {
        let at = |a: f64, b: f64| {
            (
                3000.0 + (a - b) * std::f64::consts::FRAC_1_SQRT_2,
                3000.0 + (a + b) * std::f64::consts::FRAC_1_SQRT_2,
            )
        };
        let over = polygon(&[
            at(-along, -across),
            at(along, -across),
            at(along, across),
            at(-along, across),
        ]);
        let left = difference(&hung, &over);
        assert_eq!(faults(&drawn, &left), Vec::<String>::new(), "{along}");
        let f = fixture(&drawn, &left);
        assert!(f.prove_text(&f.text()).as_cut.bars.len() >= 3, "{along}");
    }
    // As much at a tip that meets nothing is an opening that is not cut.
    let at_a_tip = polygon(&[
        (2950.0, 1950.0),
        (3050.0, 1950.0),
        (3050.0, 2050.0),
        (2950.0, 2050.0),
    ]);
    assert!(!faults(&drawn, &difference(&hung, &at_a_tip)).is_empty());
}

#[test]
fn a_bar_may_end_round_the_tip_of_a_tongue() {
    for slant in [0.0, 0.1, 0.25, 0.4] {
        // A tongue that points to the right, and a bar from round its tip to the edge across.
        let tongue = polygon(&[(1900.0, 2800.0), (3000.0, 3000.0), (1900.0, 3100.0)]);
        let drawn = difference(&rect(2000.0, 2000.0, 2000.0, 2000.0), &tongue);
        let y = 3000.0 + slant * 1000.0;
        let bar = polygon(&[
            (2900.0, 2950.0 - slant * 100.0),
            (4100.0, y - 50.0),
            (4100.0, y + 50.0),
            (2900.0, 3050.0 - slant * 100.0),
        ]);
        let left = difference(&drawn, &bar);
        assert_eq!(faults(&drawn, &left), Vec::<String>::new(), "{slant}");
        let f = fixture(&drawn, &left);
        assert!(!f.prove_text(&f.text()).as_cut.bars.is_empty(), "{slant}");
    }
}

#[test]
fn bars_of_two_islands_may_end_at_one_place() {
    // Six pairs of islands; the bars of a pair run together where they meet the edge.
    let frame = rect(1500.0, 1500.0, 3600.0, 1500.0);
    let mut islands = Regions::default();
    let mut bars = Regions::default();
    for n in 0..6 {
        let middle = 1800.0 + 600.0 * f64::from(n);
        for side in [-1.0, 1.0] {
            let x = middle + side * 130.0;
            islands = union(&islands, &rect(x - 80.0, 2000.0, 160.0, 160.0));
            let end = middle + side * 20.0;
            let bar = polygon(&[
                (end - 50.0, 1450.0),
                (end + 50.0, 1450.0),
                (x + 40.0, 2050.0),
                (x - 40.0, 2050.0),
            ]);
            bars = union(&bars, &bar);
        }
    }
    let drawn = difference(&frame, &islands);
    let left = difference(&drawn, &bars);
    assert_eq!(faults(&drawn, &left), Vec::<String>::new());
    let f = fixture(&drawn, &left);
    assert_eq!(f.prove_text(&f.text()).as_cut.bars.len(), 12);
}

/// A square outlined by a lead of any width up to the kerf, held by two bars: they are found, and missed where they
/// are cut away.
#[test]
fn bars_over_leads_narrower_than_the_beam_are_found() {
    for width in [2.0, 3.0, 4.0, 5.0, 8.0] {
        let [x, y, side] = [2000.0, 2000.0, 2000.0];
        let square = rect(x, y, side, side);
        let hole = rect(x + width, y + width, side - 2.0 * width, side - 2.0 * width);
        let drawn = difference(&square, &hole);
        let bars = union(
            &rect(x - 50.0, 2950.0, 200.0, 100.0),
            &rect(x + side - 150.0, 2950.0, 200.0, 100.0),
        );
        let held = difference(&drawn, &bars);
        let f = fixture(&drawn, &held);
        let text = f.text();
        let stated = "(tie_bars: 2)\n".to_owned() + &text;
        let v = f.prove_text(&stated);
        assert!(v.passed, "{width}: {:?}", v.findings);
        assert_eq!(v.as_cut.bars.len(), 2, "{width}");
        assert!((v.as_cut.bars[0].width_um - 100.0).abs() < 1.0, "{width}");
        // One bar left out of the drawing's openings: it is cut away.
        let less = difference(&drawn, &rect(x - 50.0, 2950.0, 200.0, 100.0));
        let cut = "(tie_bars: 2)\n".to_owned() + &fixture(&drawn, &less).text();
        let v = f.prove_text(&cut);
        let code = |c: &str| v.findings.iter().any(|f| f.finding.code == c);
        assert!(
            !v.passed && code("bar-missing"),
            "{width}: {:?}",
            v.findings
        );
    }
}

/// Leads that cross pass as they are cut; an arm left out, cut short or moved does not.
#[test]
fn leads_that_cross_are_cut_or_missed() {
    for width in [5.0, 6.5, 8.0] {
        let level = |from: f64, to: f64, y: f64| rect(from, y - width / 2.0, to - from, width);
        let upright = rect(3000.0 - width / 2.0, 2000.0, width, 2000.0);
        let drawn = union(&level(2000.0, 4000.0, 3000.0), &upright);
        assert!(faults(&drawn, &drawn).is_empty(), "{width}");
        for (what, wrong) in [
            ("an arm left out", level(2000.0, 3000.0, 3000.0)),
            ("cut short", level(2000.0, 3940.0, 3000.0)),
            ("moved by 2 um", level(2000.0, 4000.0, 3002.0)),
        ] {
            let found = faults(&drawn, &union(&wrong, &upright));
            assert!(!found.is_empty(), "{width}: {what}");
        }
    }
}
