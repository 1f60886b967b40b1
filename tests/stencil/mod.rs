//! Stencils that hold together, judged by pictures and closed forms.

mod dense;
mod fonts;
mod laws;
mod limits;
mod raster;
mod split;

use foilwright::artwork::{self, Layer, ReadOptions, TieLine};
use foilwright::finding::{Checked, Finding, Severity};
use foilwright::recipe::{Recipe, built_in};
use foilwright::regions::{Bounds, Point, Regions};
use foilwright::stencil::{IslandMode, Stencil, hold_together, loose_pieces, rules};
use raster::Raster;

fn recipe() -> Recipe {
    built_in("steel-25um").unwrap()
}

fn sheet(w_mm: f64, h_mm: f64) -> Regions {
    Bounds {
        min: Point::new(0, 0),
        max: Point::new((w_mm * 1e6) as i32, (h_mm * 1e6) as i32),
    }
    .to_regions()
}

/// A layer of a drawing 10 mm x 10 mm with the given body.
fn layer(body: &str) -> Layer {
    let svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10"><g id="l">{body}</g></svg>"#
    );
    let art = artwork::read_str(&svg, "t", &ReadOptions::default()).unwrap();
    art.value.layers.into_iter().next().unwrap()
}

fn run(layer: &Layer, mode: IslandMode) -> Checked<Vec<Stencil>> {
    hold_together(layer, &sheet(10.0, 10.0), &recipe(), mode)
}

fn tied(body: &str) -> (Stencil, Vec<Finding>) {
    let mut out = run(&layer(body), IslandMode::Tie);
    assert_eq!(out.value.len(), 1);
    (out.value.remove(0), out.findings)
}

/// Loose pieces seen in a picture with 5 um pixels, after taking off two pixels all round (webs under 20 um part).
/// Up to three pixels (75 um2) are no piece: a slanted point of foil ends in pixels that meet at corners only.
fn seen_loose(openings: &Regions) -> usize {
    Raster::of(openings, [1e7, 1e7], 5e3)
        .eroded(2)
        .loose()
        .iter()
        .filter(|pixels| **pixels > 3)
        .count()
}

fn codes<'a>(findings: &'a [Finding], code: &str) -> Vec<&'a Finding> {
    findings.iter().filter(|f| f.code == code).collect()
}

const RING: &str = r#"<path fill-rule="evenodd" d="M2 5a3 3 0 1 0 6 0a3 3 0 1 0 -6 0zM3 5a2 2 0 1 0 4 0a2 2 0 1 0 -4 0z"/>"#;

#[test]
fn a_disc_without_islands_gets_no_bar() {
    let (s, findings) = tied(r#"<circle cx="5" cy="5" r="3"/>"#);
    assert!(s.islands.is_empty() && s.tie_bars.is_empty());
    assert_eq!(s.openings, s.drawn);
    assert!(findings.is_empty(), "{findings:?}");
}

#[test]
fn a_ring_is_held_by_two_opposite_bars() {
    let (s, findings) = tied(RING);
    assert_eq!(s.islands.len(), 1);
    assert_eq!(s.tie_bars.len(), 2);
    // Closed form: the island is the inner disc, pi r^2.
    let disc = std::f64::consts::PI * 4e6;
    assert!((s.islands[0].area_um2 - disc).abs() < 1e-3 * disc);
    assert_eq!(seen_loose(&s.drawn), 1);
    assert_eq!(seen_loose(&s.openings), 0);
    // Metal left: two bars of 100 um across 1 mm; the ends lie on arcs, which adds less than a per mille.
    let bars = (s.drawn.area_nm2() - s.openings.area_nm2()) / 1e6;
    assert!((bars - 2.0 * 100.0 * 1000.0).abs() < 500.0, "{bars}");
    let mid = |b: &foilwright::stencil::TieBar| {
        [
            f64::from(b.from.x + b.to.x) / 2e6 - 5.0,
            f64::from(b.from.y + b.to.y) / 2e6 - 5.0,
        ]
    };
    let (a, b) = (mid(&s.tie_bars[0]), mid(&s.tie_bars[1]));
    let cos = (a[0] * b[0] + a[1] * b[1]) / (a[0].hypot(a[1]) * b[0].hypot(b[1]));
    assert!(cos < -0.99, "{a:?} {b:?}");
    let parted = codes(&findings, "film-parted");
    assert_eq!(parted.len(), 1);
    // Blur g S / D = 10 um x 50 / 70; 100 um are bridged from a gap of 100 x 70 / 50 = 140 um on.
    assert!((parted[0].limit_um.unwrap() - 7.142857).abs() < 1e-5);
    assert!(
        parted[0].message.contains("140 um"),
        "{}",
        parted[0].message
    );
}

#[test]
fn nested_islands_hang_on_each_other() {
    let mut body = String::new();
    for (k, r) in [4.5, 4.0, 3.5, 3.0, 2.5, 2.0, 1.5, 1.0].iter().enumerate() {
        let fill = if k % 2 == 0 { "black" } else { "white" };
        body.push_str(&format!(r#"<circle cx="5" cy="5" r="{r}" fill="{fill}"/>"#));
    }
    let (s, _) = tied(&body);
    assert_eq!(s.islands.len(), 4);
    assert_eq!(s.tie_bars.len(), 8);
    assert_eq!(seen_loose(&s.drawn), 4);
    assert_eq!(seen_loose(&s.openings), 0);
}

#[test]
fn a_corner_touch_or_a_hairline_does_not_hold() {
    // A square of foil in a square opening, touching its corner; and one held by 10 um.
    for inner in ["M3 3h4v4h-4z", "M2.01 3h4v4h-4z"] {
        let body = format!(r#"<path fill-rule="evenodd" d="M2 2h6v6h-6z {inner}"/>"#);
        let (s, _) = tied(&body);
        assert_eq!(s.islands.len(), 1, "{inner}");
        assert_eq!(seen_loose(&s.openings), 0);
    }
    let touch =
        r#"<path d="M1 1h4v4h-4z M5 5h4v4h-4z"/><path d="M1 5h0.2v4h3.8v-0.2h-3.6v-3.8z"/>"#;
    let (s, _) = tied(touch);
    assert_eq!(loose_pieces(&s.sheet, &s.openings, &recipe()), 0);
    // 20 um of foil hold the square: less than the minimum web of 25.4 um. With 30 um it holds by itself.
    for (web, islands) in [(0.020, 1), (0.030, 0)] {
        let (a, b) = (5.0 - web / 2.0, 5.0 + web / 2.0);
        let body = format!(r#"<path d="M{a} 2H3V7H7V2H{b}V2.5H6.5V6.5H3.5V2.5H{a}z"/>"#);
        let (s, _) = tied(&body);
        assert_eq!(s.islands.len(), islands, "web {web}");
        assert_eq!(loose_pieces(&s.sheet, &s.openings, &recipe()), 0);
    }
}

#[test]
fn specks_fall_out_and_are_reported() {
    let (s, findings) =
        tied(r#"<circle cx="5" cy="5" r="3"/><circle cx="5" cy="5" r="0.01" fill="white"/>"#);
    assert!(s.tie_bars.is_empty());
    assert!(s.islands[0].speck);
    assert_eq!(codes(&findings, "speck-lost").len(), 1);
}

#[test]
fn tiny_islands_get_narrower_bars() {
    let (s, findings) =
        tied(r#"<circle cx="5" cy="5" r="0.3"/><circle cx="5" cy="5" r="0.08" fill="white"/>"#);
    assert_eq!(s.islands.len(), 1);
    assert!(!codes(&findings, "tie-bar-narrow").is_empty());
    assert!(
        s.tie_bars
            .iter()
            .all(|b| b.width_um < 100.0 && b.width_um >= 25.4)
    );
    assert_eq!(loose_pieces(&s.sheet, &s.openings, &recipe()), 0);
}

#[test]
fn bars_keep_clear_and_follow_the_hand() {
    let mut l = layer(RING);
    l.keep_clear = Bounds {
        min: Point::new(0, 4_000_000),
        max: Point::new(10_000_000, 6_000_000),
    }
    .to_regions();
    let s = run(&l, IslandMode::Tie).value.remove(0);
    assert_eq!(s.tie_bars.len(), 2);
    for b in &s.tie_bars {
        assert!(!(3_950_000..6_050_000).contains(&b.from.y), "{b:?}");
    }
    let mut l = layer(RING);
    let line = |id: &str, x0, x1| TieLine {
        id: id.into(),
        from: Point::new(x0, 5_000_000),
        to: Point::new(x1, 5_000_000),
        width_um: Some(60.0),
    };
    l.tie_lines = vec![
        line("west", 1_900_000, 3_100_000),
        line("east", 6_900_000, 8_100_000),
    ];
    let s = run(&l, IslandMode::Tie).value.remove(0);
    assert_eq!(s.tie_bars.len(), 2);
    assert!(
        s.tie_bars
            .iter()
            .all(|b| b.reason.contains("by hand") && b.width_um == 60.0)
    );
}

#[test]
fn refuse_lists_every_island() {
    let out = run(&layer(RING), IslandMode::Refuse);
    let found = codes(&out.findings, "island");
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].severity, Severity::Blocking);
    assert!(out.value[0].tie_bars.is_empty());
}

#[test]
fn nothing_is_left_of_the_foil() {
    let (_, findings) = tied(r#"<path d="M0 0h10v10h-10z"/>"#);
    assert_eq!(codes(&findings, "foil-missing").len(), 1);
}

#[test]
#[ignore = "slow: prints the time for 1,000 and 4,000 rings"]
fn slow_rings_in_near_linear_time() {
    let mut times = Vec::new();
    for side in [32, 64] {
        let ring = |x: f64, y: f64, r: f64, turn: f64| -> Vec<Point> {
            (0..32)
                .map(|k| {
                    let a = turn * std::f64::consts::TAU * f64::from(k) / 32.0;
                    Point::new((x + r * a.cos()) as i32, (y + r * a.sin()) as i32)
                })
                .collect()
        };
        let mut openings = Regions::new();
        for i in 0..side * side {
            let (x, y) = (
                f64::from(i % side) * 1e6 + 2e6,
                f64::from(i / side) * 1e6 + 2e6,
            );
            openings.push_ring(&ring(x, y, 4e5, 1.0));
            openings.push_ring(&ring(x, y, 2.5e5, -1.0));
            openings.close_shape();
        }
        let mut l = layer(RING);
        l.openings = openings;
        let mm = f64::from(side) + 3.0;
        let began = std::time::Instant::now();
        let out = hold_together(&l, &sheet(mm, mm), &recipe(), IslandMode::Tie);
        times.push(began.elapsed().as_secs_f64());
        let began = std::time::Instant::now();
        let found = foilwright::stencil::rules::check(&out.value[0], &recipe()).len();
        let s = &out.value[0];
        eprintln!(
            "{} rings: {:.2} s, rules {:.2} s, {found} findings",
            side * side,
            times[times.len() - 1],
            began.elapsed().as_secs_f64()
        );
        assert_eq!(s.islands.len(), (side * side) as usize);
        assert_eq!(s.tie_bars.len(), 2 * (side * side) as usize);
    }
    // Four times the work; n log n would take 4.8 times as long.
    assert!(times[1] < 8.0 * times[0], "{times:?}");
}

/// Whether a point is in an opening as drawn.
fn open_at(s: &Stencil, at: [f64; 2]) -> bool {
    s.drawn
        .contains(Point::new(at[0].round() as i32, at[1].round() as i32))
}

/// Places along a bar's centre line, ends left out.
fn along(bar: &foilwright::stencil::TieBar) -> impl Iterator<Item = [f64; 2]> + use<> {
    let (a, b) = (bar.from, bar.to);
    (1..20).map(move |k| {
        let t = f64::from(k) / 20.0;
        [
            f64::from(a.x) + t * f64::from(b.x - a.x),
            f64::from(a.y) + t * f64::from(b.y - a.y),
        ]
    })
}

#[test]
fn bars_run_over_openings_and_not_through_the_island_they_hold() {
    // Three dots in a row in a bubble: the middle one has neighbours on both sides only.
    let dots = r#"<path fill-rule="evenodd" d="M0.5 5a4.5 3 0 1 0 9 0a4.5 3 0 1 0 -9 0z
        M1.9 5a0.6 0.6 0 1 0 1.2 0a0.6 0.6 0 1 0 -1.2 0z M4.4 5a0.6 0.6 0 1 0 1.2 0a0.6 0.6 0 1 0 -1.2 0z
        M6.9 5a0.6 0.6 0 1 0 1.2 0a0.6 0.6 0 1 0 -1.2 0z"/>"#;
    let (s, findings) = tied(dots);
    assert_eq!(s.islands.len(), 3);
    for bar in &s.tie_bars {
        assert!(along(bar).all(|p| open_at(&s, p)), "{bar:?}");
    }
    assert_eq!(seen_loose(&s.openings), 0);
    assert!(codes(&findings, "tie-single").is_empty(), "{findings:?}");
}

#[test]
fn a_bar_leaves_no_metal_on_the_far_side_of_a_thin_island() {
    // A needle that tapers to a point: the strip of a bar near the tip is wider than the needle is there.
    let needle = r#"<path fill-rule="evenodd" d="M1 1H9V9H1z M4.9 2L5 7.9L5.1 2z"/>"#;
    let (s, _) = tied(needle);
    let metal = foilwright::regions::difference(&s.drawn, &s.openings);
    assert_eq!(metal.len(), s.tie_bars.len(), "{:?}", s.tie_bars);
    assert_eq!(seen_loose(&s.openings), 0);
}

#[test]
fn bars_of_one_island_leave_a_gap_that_can_be_cut() {
    let web = recipe().min_web_um();
    // A small T whose bars have little room.
    let (s, _) = tied(
        r#"<path fill-rule="evenodd" d="M4 4H6V6H4z M4.9 4.9H5.04V4.95H4.995V5.08H4.945V4.95H4.9z"/>"#,
    );
    let metal = foilwright::regions::difference(&s.drawn, &s.openings);
    assert!(!s.tie_bars.is_empty());
    // No two bars run side by side with a slit between them: closing the metal by half a web joins nothing.
    let closed = foilwright::regions::outset(&metal, 0.45 * web * 1e3, 100.0);
    assert_eq!(closed.len(), metal.len());
}

#[test]
fn a_bar_between_two_islands_holds_both() {
    // Two plates in one opening, each a little nearer to the frame than to the other: three bars, not four.
    let (s, findings) =
        tied(r#"<path fill-rule="evenodd" d="M1 1H9V9H1z M1.5 4H4.7V6H1.5z M5.3 4H8.5V6H5.3z"/>"#);
    assert_eq!(s.islands.len(), 2);
    assert_eq!(s.tie_bars.len(), 3, "{:?}", s.tie_bars);
    assert!(s.islands.iter().all(|i| i.bars.len() >= 2));
    assert!(codes(&findings, "tie-single").is_empty());
    assert_eq!(seen_loose(&s.openings), 0);
}

#[test]
fn tie_settings_are_those_of_the_element_round_the_island() {
    for count in [1, 3, 4] {
        let body = format!(
            r#"<path data-tie-count="{count}" fill-rule="evenodd" d="M2 5a3 3 0 1 0 6 0a3 3 0 1 0 -6 0zM3 5a2 2 0 1 0 4 0a2 2 0 1 0 -4 0z"/>
               <circle cx="5" cy="5" r="0.5"/>"#
        );
        let (s, _) = tied(&body);
        assert_eq!(s.islands.len(), 1);
        assert_eq!(s.tie_bars.len(), count);
    }
}

#[test]
fn a_crack_too_thin_to_be_cut_parts_no_foil() {
    // A disc of foil touches the straight edge of an opening: the crack beside the place is nowhere cut where it
    // is narrower than a tenth of the kerf, which leaves a neck of foil far wider than the minimum web.
    let (s, findings) = tied(
        r#"<path fill-rule="evenodd" d="M1 3H9V7H1z M2.5 5a2 1.9999 0 1 0 4 0a2 1.9999 0 1 0 -4 0z"/>"#,
    );
    assert!(s.islands.is_empty(), "{:?}", s.islands);
    assert!(s.tie_bars.is_empty(), "{findings:?}");
}

#[test]
fn no_slit_that_the_beam_does_not_fit_into_is_left_beside_a_bar() {
    // Two bars placed by hand, 6 um apart.
    let body = r#"<path fill-rule="evenodd" d="M1 1H9V9H1z M3 3H7V7H3z"/>
        <g class="tie"><path d="M1 5H3" stroke="black"/><path d="M1 5.106H3" stroke="black"/></g>"#;
    let (s, _) = tied(body);
    let kerf_nm = recipe().kerf.width_um * 1e3;
    let inner = foilwright::regions::inset(&s.openings, kerf_nm / 2.0, 100.0);
    let back = foilwright::regions::outset(&inner, kerf_nm / 2.0 + 200.0, 100.0);
    let lost = foilwright::regions::difference(&s.openings, &back);
    let largest = lost.shapes().map(|l| l.area_nm2()).fold(0.0, f64::max);
    // A square corner keeps (1 - pi / 4) r^2 from a disc.
    assert!(largest < 0.25 * (kerf_nm / 2.0).powi(2), "{largest}");
}

#[test]
fn a_pocket_behind_a_point_is_cut_although_small() {
    // A notch in the island ends in a point, and beyond the point lies a triangle of 20 x 31 um.
    let body = r#"<path fill-rule="evenodd" d="M1 1H9V9H1z M3 3H4.5L5 5L5.5 3H7V7H3z"/>
        <path d="M5 5V5.031H4.98z"/>"#;
    let (s, _) = tied(body);
    let inside = Point::new(4_995_000, 5_022_000);
    let opens = |r: &Regions| {
        r.shapes()
            .any(|p| foilwright::regions::ring_contains(p.outer(), inside) && p.holes().len() == 0)
    };
    assert!(!s.tie_bars.is_empty());
    assert!(opens(&s.openings));
}

#[test]
fn of_very_many_narrow_webs_the_narrowest_are_listed_and_the_rest_counted() {
    // 50 x 50 squares, webs 22 um wide between columns and 16 um between rows: 2,450 of each kind.
    let squares: String = (0..2500)
        .map(|i| {
            let (x, y) = (
                0.5 + 0.172 * f64::from(i % 50),
                0.5 + 0.166 * f64::from(i / 50),
            );
            format!(r#"<rect x="{x:.3}" y="{y:.3}" width="0.15" height="0.15"/>"#)
        })
        .collect();
    // As drawn, without bars.
    let stencils = run(&layer(&squares), IslandMode::Refuse).value;
    let found = rules::check(&stencils[0], &recipe());
    let webs: Vec<_> = found.iter().filter(|f| f.code == "web-narrow").collect();
    assert_eq!(webs.len(), 2001);
    let widths = webs[..2000].iter().map(|f| f.measured_um.unwrap());
    let widest = widths.fold(0.0, f64::max);
    assert!(widest < 16.01, "{widest}");
    let rest = &webs[2000].message;
    assert!(rest.starts_with("2900 more places like this"), "{rest}");
}
