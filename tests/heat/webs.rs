//! Hot webs: what lies between two cuts and is foil, never what is slug.

use foilwright::heat::{Foil, hot_webs};
use foilwright::kerf::{CutKind, compensate, lay};
use foilwright::motion::{Burn, Motion};
use foilwright::recipe::Recipe;
use foilwright::regions::{FillRule, Point, Regions, normalise};

/// Openings, each a box in micrometres, cut as the program cuts them: with run-in, overlap and run-out.
fn cut(boxes: &[[i32; 4]]) -> (Motion, Foil) {
    cut_with(boxes, 8.0)
}

fn cut_with(boxes: &[[i32; 4]], kerf_um: f64) -> (Motion, Foil) {
    let mut recipe = Recipe::load("steel-25um").unwrap();
    recipe.kerf.width_um = kerf_um;
    let rings: Vec<Vec<Point>> = boxes
        .iter()
        .map(|b| {
            let p = |x, y| Point::new(x * 1000, y * 1000);
            vec![p(b[0], b[1]), p(b[2], b[1]), p(b[2], b[3]), p(b[0], b[3])]
        })
        .collect();
    let openings: Regions = normalise(&rings, FillRule::NonZero);
    let mut motion = Motion {
        sheet_mm: [0.0, 0.0, 10.0, 10.0],
        ..Motion::default()
    };
    for (i, contour) in compensate(&openings, &recipe).value.iter().enumerate() {
        assert_eq!(contour.kind, CutKind::Opening);
        let path = lay(contour, 0, false, &[], &recipe);
        assert!(path.run_in_mm > 0.0);
        motion.burns.push(Burn {
            points: path.points,
            start_s: motion.end_s,
            speed_mm_s: 100.0,
            power_w: 5.0,
            path: i as u32,
            pass: 1,
        });
        motion.end_s = motion.burns[i].end_s();
    }
    (motion, Foil::new(&recipe))
}

#[test]
fn a_narrow_opening_is_no_web() {
    let (motion, foil) = cut(&[[2000, 2000, 2150, 7000]]);
    assert_eq!(hot_webs(&motion, &foil), None);
}

#[test]
fn foil_between_two_openings_is_one() {
    // A bar of 100 um, q' / (2 C w) above the rest; the beam runs half a kerf inside the openings.
    let (motion, foil) = cut(&[[2000, 2000, 4000, 7000], [4100, 2000, 6000, 7000]]);
    let found = hot_webs(&motion, &foil).unwrap();
    assert_eq!(found.count, 1);
    assert!((found.narrowest_um - 100.0).abs() < 0.1, "{found:?}");
    let rise_k = foil.absorbed * 5.0 / 0.1 / (2.0 * foil.capacity_j_m2_k * 100e-6);
    assert!((found.rise_k / rise_k - 1.0).abs() < 1e-3, "{found:?}");
}

/// A web as wide as the drawing says, whatever the kerf; the hot ones are told by their own width.
#[test]
fn webs_are_as_wide_as_drawn() {
    for kerf_um in [4.0, 8.0, 30.0, 60.0] {
        let cool_um = hot_webs_limit_um();
        for bar_um in [20, 55, cool_um / 2, cool_um - 5] {
            let boxes = [[2000, 2000, 4000, 7000], [4000 + bar_um, 2000, 6000, 7000]];
            let (motion, foil) = cut_with(&boxes, kerf_um);
            let found = hot_webs(&motion, &foil).unwrap();
            let told = (found.count, found.narrowest_um);
            assert!(
                told.0 == 1 && (told.1 - f64::from(bar_um)).abs() < 0.1,
                "kerf {kerf_um}: {found:?}"
            );
            assert!(found.narrowest_um < found.cool_um);
            let rise_k =
                foil.absorbed * 5.0 / 0.1 / (2.0 * foil.capacity_j_m2_k * f64::from(bar_um) * 1e-6);
            assert!((found.rise_k / rise_k - 1.0).abs() < 1e-2, "{found:?}");
        }
        // One micrometre to either side of what stays cool.
        for (bar_um, hot) in [(cool_um - 1, true), (cool_um + 1, false)] {
            let boxes = [[2000, 2000, 4000, 7000], [4000 + bar_um, 2000, 6000, 7000]];
            let (motion, foil) = cut_with(&boxes, kerf_um);
            assert_eq!(
                hot_webs(&motion, &foil).is_some(),
                hot,
                "kerf {kerf_um}, bar {bar_um}"
            );
        }
    }
}

/// Width at which half of the heat of a pass warms a web by 400 K, rounded to micrometres.
fn hot_webs_limit_um() -> i32 {
    let (_, foil) = cut(&[]);
    let line_j_m = foil.absorbed * 5.0 / 0.1;
    (line_j_m / (2.0 * foil.capacity_j_m2_k * 400.0) * 1e6).round() as i32
}

/// The heat that the sentence asks for keeps the narrowest web at the limit, by the formula of the warning itself.
#[test]
fn the_advice_would_help() {
    let (mut motion, foil) = cut(&[[2000, 2000, 4000, 7000], [4100, 2000, 6000, 7000]]);
    let found = hot_webs(&motion, &foil).unwrap();
    let words = found.advice();
    let number = |before: &str| -> f64 {
        let rest = &words[words.find(before).unwrap() + before.len()..];
        rest.split_whitespace().next().unwrap().parse().unwrap()
    };
    let (speed, percent) = (number("at least "), number("or at most "));
    let joule_m = number("leave at most ");
    assert!(joule_m < found.line_energy_j_m && speed > 100.0 && percent < 100.0);
    // Just enough: a tenth more heat would be too much.
    for (speed_mm_s, power_w, cool) in [
        (speed, 5.0, true),
        (0.9 * speed, 5.0, false),
        (100.0, 0.05 * percent, true),
        (100.0, 0.055 * percent, false),
        (100.0, joule_m * 0.1 / foil.absorbed, true),
        (100.0, 1.1 * joule_m * 0.1 / foil.absorbed, false),
    ] {
        for burn in &mut motion.burns {
            (burn.speed_mm_s, burn.power_w) = (speed_mm_s, power_w);
        }
        assert_eq!(hot_webs(&motion, &foil).is_none(), cool, "{words}");
    }
}
