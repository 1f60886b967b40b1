//! Rules: necks of known width, long thin parts, corners, published ratios, droop and buckling.

use super::{codes, layer, recipe, tied};
use foilwright::finding::Finding;
use foilwright::stencil::rules::{
    area_ratio, bridge_droop_um, buckling_rise_k, check, drawn, tongue_droop_um,
};

fn findings(body: &str) -> Vec<Finding> {
    check(&tied(body).0, &recipe())
}

/// Widths found under a code, smallest first, micrometres.
fn widths(found: &[Finding], code: &str) -> Vec<f64> {
    let mut w: Vec<f64> = codes(found, code)
        .iter()
        .filter_map(|f| f.measured_um)
        .collect();
    w.sort_by(f64::total_cmp);
    w
}

/// The widths are those, each to 0.1 um and the flattening of both edges (0.1 um each where they are curved).
fn assert_widths(name: &str, found: &[f64], expected: &[f64], curved: bool) {
    assert_eq!(found.len(), expected.len(), "{name}: {found:?}");
    let within = if curved { 0.3 } else { 0.1 };
    for (a, b) in found.iter().zip(expected) {
        assert!(
            (a - b).abs() <= within,
            "{name}: {found:?}, not {expected:?}"
        );
    }
}

fn near(a: f64, b: f64) {
    assert!((a - b).abs() <= 1e-5 * b.abs(), "{a} is not {b}");
}

#[test]
fn webs_of_known_width_are_found_at_any_angle() {
    for angle in [0, 17, 45, 73] {
        for web in [0.006, 0.013, 0.0249, 0.0260] {
            let body = format!(
                r#"<g transform="rotate({angle} 5 5)"><path d="M3 3h{}v4h-{0}z M{} 3h2v4h-2z"/></g>"#,
                2.0,
                5.0 + web
            );
            let (s, _) = tied(&body);
            let findings = check(&s, &recipe());
            let found = codes(&findings, "web-narrow");
            assert_eq!(found.len(), usize::from(web < 0.0254), "{angle} {web}");
            for f in found {
                assert!((f.measured_um.unwrap() - web * 1e3).abs() < 0.1, "{f:?}");
            }
        }
    }
}

#[test]
fn curved_webs_and_slots_are_found_with_their_width() {
    // Two circles whose edges are 15 um apart; a slot 20 um wide (narrower than the foil is thick).
    let (s, _) = tied(r#"<circle cx="3" cy="5" r="1.5"/><circle cx="6.015" cy="5" r="1.5"/>"#);
    let findings = check(&s, &recipe());
    let web = codes(&findings, "web-narrow");
    assert_eq!(web.len(), 1);
    // Both edges are flattened within 0.1 um.
    assert!((web[0].measured_um.unwrap() - 15.0).abs() < 0.3);
    let (s, _) = tied(r#"<path transform="rotate(31 5 5)" d="M3 5h4v0.02h-4z"/>"#);
    let findings = check(&s, &recipe());
    let slot = codes(&findings, "opening-narrow");
    assert_eq!(slot.len(), 1, "{findings:?}");
    assert!((slot[0].measured_um.unwrap() - 20.0).abs() < 0.1);
}

/// Widths by construction, drawn as they are, turned, and turned and moved.
#[test]
fn necks_of_known_width_are_found_in_any_setting() {
    let hexagon = |x: f64, r: f64| {
        let corners: Vec<String> = (0..6)
            .map(|k| {
                let a = f64::from(k) * std::f64::consts::FRAC_PI_3;
                format!("{:.6} {:.6}", x + r * a.cos(), 5.0 + r * a.sin())
            })
            .collect();
        format!(r#"<path d="M{}z"/>"#, corners.join("L"))
    };
    let arc_slot =
        r#"<path d="M3 5a2 2 0 0 1 4 0h-0.021a1.979 1.979 0 0 0 -3.958 0z"/>"#.to_owned();
    let cases: Vec<(&str, String, &str, Vec<f64>, bool)> = vec![
        // Corner against corner: two hexagons of 1 mm, centres 2.012 mm apart.
        ("hexagons", hexagon(3.9, 1.0) + &hexagon(5.912, 1.0), "web-narrow", vec![12.0], false),
        // Corner against edge: the square's corner is 1.4142136 from its centre.
        (
            "corner and edge",
            r#"<path d="M3 5l1 -1l1 1l-1 1z M5.017 4h1v2h-1z"/>"#.to_owned(),
            "web-narrow",
            vec![17.0],
            false,
        ),
        // Five circles of different distance along one straight edge: five necks, not one.
        (
            "circles along an edge",
            (0..5)
                .map(|k| {
                    let (x, gap) = (2.5 + f64::from(k), 0.004 + 0.004 * f64::from(k));
                    format!(r#"<circle cx="{x}" cy="{:.6}" r="0.3"/>"#, 5.0 - gap - 0.3)
                })
                .collect::<String>()
                + r#"<path d="M2 5h5v0.5h-5z"/>"#,
            "web-narrow",
            vec![4.0, 8.0, 12.0, 16.0, 20.0],
            true,
        ),
        // A web between two arcs about one centre, and a web between an arc and a polygon's corner.
        (
            "arcs about one centre",
            r#"<path d="M4 5a1 1 0 0 1 2 0z"/><path d="M3.982 5.1v-0.1a1.018 1.018 0 0 1 2.036 0v0.1h0.5v-0.1a1.518 1.518 0 0 0 -3.036 0v0.1z"/>"#.to_owned(),
            "web-narrow",
            vec![18.0],
            true,
        ),
        // Openings: a waist between two squares, a ring-shaped slot, a waist between two corners of foil.
        (
            "waist",
            r#"<path d="M3 4h1.5v0.98h1v-0.98h1.5v2h-1.5v-0.995h-1v0.995h-1.5z"/>"#.to_owned(),
            "opening-narrow",
            vec![25.0],
            false,
        ),
        ("arc slot", arc_slot, "opening-narrow", vec![21.0], true),
        (
            "corners of foil",
            r#"<path d="M3 4h2l0 0.99l1 -0.99h1v2h-2l0 -0.99l-1 0.99h-1z"/>"#.to_owned(),
            "opening-narrow",
            vec![20.0],
            false,
        ),
    ];
    for (name, body, code, expected, curved) in cases {
        for turn in [
            "",
            "rotate(17 5 5)",
            "translate(0.123 -0.2) rotate(73.4 5 5)",
            "rotate(151 5 5)",
        ] {
            let found = findings(&format!(r#"<g transform="{turn}">{body}</g>"#));
            assert_widths(
                &format!("{name}, {turn}"),
                &widths(&found, code),
                &expected,
                curved,
            );
        }
    }
}

#[test]
fn tips_and_round_ends_are_no_necks() {
    // A star, a lens and a slot with round ends narrow down to nothing without being narrow anywhere.
    let star: Vec<String> = (0..10)
        .map(|k| {
            let (a, r) = (
                f64::from(k) * std::f64::consts::PI / 5.0,
                if k % 2 == 0 { 3.0 } else { 0.8 },
            );
            format!("{:.5} {:.5}", 5.0 + r * a.cos(), 5.0 + r * a.sin())
        })
        .collect();
    for body in [
        format!(r#"<path d="M{}z"/>"#, star.join("L")),
        r#"<path d="M2 5a4 4 0 0 1 6 0a4 4 0 0 1 -6 0z"/>"#.to_owned(),
        r#"<path d="M2 5h6" stroke="black" stroke-width="0.1" stroke-linecap="round"/>"#.to_owned(),
        r#"<path d="M2 3L8 5L2 7z" stroke="black" stroke-width="0.01" stroke-linejoin="round"/>"#
            .to_owned(),
    ] {
        let found = findings(&body);
        for code in ["opening-narrow", "aspect-ratio", "web-narrow"] {
            assert!(codes(&found, code).is_empty(), "{body}: {found:?}");
        }
    }
}

#[test]
fn a_tongue_droops_as_beam_theory_says() {
    // A slot round three sides leaves a tongue 8 mm x 0.6 mm; low-carbon steel, 25.4 um.
    let r = recipe();
    for turn in [0, 33] {
        let found = findings(&format!(
            r#"<path transform="rotate({turn} 5 5)" d="M1 4.5h8.2v1h-8.2v-0.2h8v-0.6h-8z"/>"#
        ));
        let tongue = codes(&found, "tongue-droops");
        assert_eq!(tongue.len(), 1, "{found:?}");
        let m = r.material();
        let expected = tongue_droop_um(8.0, 25.4, m.density_kg_m3, m.youngs_modulus_gpa);
        assert!(
            (tongue[0].measured_um.unwrap() / expected - 1.0).abs() < 0.02,
            "{tongue:?}"
        );
        assert!(codes(&found, "bar-buckles").is_empty(), "{found:?}");
    }
    // A short one does not.
    assert!(
        codes(
            &findings(r#"<path d="M1 4.5h4.2v1h-4.2v-0.2h4v-0.6h-4z"/>"#),
            "tongue-droops"
        )
        .is_empty()
    );
}

#[test]
fn a_bar_between_slots_buckles_at_its_length() {
    let r = recipe();
    let m = r.material();
    for turn in [0, 58] {
        let found = findings(&format!(
            r#"<g transform="rotate({turn} 5 5)"><path d="M2 4h6v0.7h-6z"/><path d="M2 5h6v0.7h-6z"/></g>"#
        ));
        let bar = codes(&found, "bar-buckles");
        assert_eq!(bar.len(), 1, "{found:?}");
        assert!(
            (bar[0].measured_um.unwrap() - 6000.0).abs() < 60.0,
            "{bar:?}"
        );
        // The limit is the length at which the rise is 20 K.
        let limit_mm = bar[0].limit_um.unwrap() / 1e3;
        assert!((buckling_rise_k(limit_mm, 25.4, m.expansion_ppm_k) - 20.0).abs() < 1e-6);
    }
    // Short slots, far slots, and a web cut into short pieces do not.
    for body in [
        r#"<path d="M3 4h2v0.7h-2z"/><path d="M3 5h2v0.7h-2z"/>"#,
        r#"<path d="M2 2h6v0.7h-6z"/><path d="M2 6h6v0.7h-6z"/>"#,
    ] {
        let found = findings(body);
        assert!(codes(&found, "bar-buckles").is_empty(), "{body}: {found:?}");
    }
}

#[test]
fn tie_bars_are_told_once() {
    // A slot 4 mm wide round a square: bars of 4 mm.
    let (s, _) = tied(r#"<path fill-rule="evenodd" d="M0.5 0.5h9v9h-9z M4.5 4.5h1v1h-1z"/>"#);
    let found = check(&s, &recipe());
    assert_eq!(
        codes(&found, "bar-buckles").len(),
        s.tie_bars.len(),
        "{found:?}"
    );
}

#[test]
fn corners_that_touch_slivers_and_hairs_are_found() {
    let touching = findings(r#"<path d="M3 3h2v2h-2z"/><path d="M5 5h2v2h-2z"/>"#);
    let touch = codes(&touching, "corners-touch");
    assert_eq!(touch.len(), 1, "{touching:?}");
    assert_eq!(touch[0].at_mm, Some([5.0, 5.0]));
    let hair = findings(r#"<path d="M3 3h2v2h-2z"/><path d="M5.0006 3h2v2h-2z"/>"#);
    assert_widths("hair", &widths(&hair, "edges-coincide"), &[0.6], false);
    assert!(codes(&hair, "web-narrow").is_empty());
    let wedge = findings(r#"<path d="M3 3h4v4l-2 -2l-2 2z"/>"#);
    assert!(codes(&wedge, "foil-sliver").is_empty(), "{wedge:?}");
    // A wedge of 2 x 4 deg is narrower than 25.4 um over 25.4 / (2 sin 4 deg) along its side.
    let (dx, dy) = (4.0, 4.0 * 4f64.to_radians().tan());
    let wedge = findings(&format!(
        r#"<path d="M3 3H8V7H3V{}L{} 5L3 {}z"/>"#,
        5.0 + dy,
        3.0 + dx,
        5.0 - dy
    ));
    let sliver = widths(&wedge, "foil-sliver");
    assert_eq!(sliver.len(), 1, "{wedge:?}");
    let expected = 25.4 / (2.0 * 4f64.to_radians().sin());
    assert!(
        (sliver[0] - expected).abs() < 0.01 * expected,
        "{sliver:?} {expected}"
    );
    let sharp = findings(r#"<path d="M3 3L7 5L3 4z"/>"#);
    assert_eq!(codes(&sharp, "corner-sharp").len(), 1, "{sharp:?}");
    let twice = drawn(&layer(
        r#"<rect id="a" x="3" y="3" width="2" height="1"/><rect id="b" x="3" y="3" width="2" height="1"/><rect id="c" x="6" y="3" width="2" height="1"/>"#,
    ));
    assert_eq!(codes(&twice, "drawn-twice").len(), 1, "{twice:?}");
    assert!(twice[0].message.contains("`a`") && twice[0].message.contains("`b`"));
}

#[test]
fn openings_near_the_edge_are_found_with_their_distance() {
    // 0.4 mm from the right edge of a sheet of 10 mm; the margin is 1 mm.
    let found = findings(r#"<circle cx="8.6" cy="5" r="1"/><circle cx="3" cy="5" r="1"/>"#);
    let near = codes(&found, "edge-margin");
    assert_eq!(near.len(), 1);
    assert!((near[0].measured_um.unwrap() - 400.0).abs() < 0.2);
    let [x, y] = near[0].at_mm.unwrap();
    assert!((x - 9.6).abs() < 1e-3 && (y - 5.0).abs() < 0.1, "{x} {y}");
}

#[test]
fn a_plain_opening_breaks_no_rule() {
    let (s, _) = tied(r#"<circle cx="5" cy="5" r="3"/><path d="M1 1h0.8l0.3 0.5z"/>"#);
    let findings = check(&s, &recipe());
    assert!(codes(&findings, "web-narrow").is_empty());
    assert!(codes(&findings, "edge-margin").is_empty(), "{findings:?}");
}

#[test]
fn area_ratios_are_those_of_the_standard() {
    // IPC-7525: slot L W / (2 (L + W) T); 0.1 x 1 mm and a 50 um square in 25 um.
    near(area_ratio(1e5, 2200.0, 25.0), 1.818_181_8);
    near(area_ratio(2500.0, 200.0, 25.0), 0.5);
}

#[test]
fn droop_and_buckling_follow_beam_theory() {
    // Euler-Bernoulli closed forms, 25 um, 7900 kg/m3 and 200 GPa; brass 8500 and 110.
    for (l, steel, brass, bridge) in [
        (2.0, 0.014_875, 0.029_099, 0.000_310),
        (5.0, 0.581_044, 1.136_68, 0.012_105),
        (10.0, 9.296_70, 18.186_9, 0.193_681),
        (20.0, 148.747, 290.990, 3.098_90),
    ] {
        let close = |a: f64, b: f64| assert!((a - b).abs() < 2e-5 * b + 6e-7, "{a} {b}");
        close(tongue_droop_um(l, 25.0, 7900.0, 200.0), steel);
        close(tongue_droop_um(l, 25.0, 8500.0, 110.0), brass);
        close(bridge_droop_um(l, 25.0, 7900.0, 200.0), bridge);
    }
    // 304 (17.3 ppm/K), Euler's clamped column.
    for (l, k, last_digit) in [
        (2.0, 29.71, 0.01),
        (5.0, 4.754, 0.001),
        (10.0, 1.189, 0.001),
    ] {
        assert!((buckling_rise_k(l, 25.0, 17.3) - k).abs() <= 0.5 * last_digit);
    }
}

#[test]
fn chords_of_holes_and_of_rounded_corners_are_no_necks() {
    let findings = |body: &str| {
        let (s, _) = tied(body);
        check(&s, &recipe())
    };
    // A hole of 50 um: its chords are narrower than the limit of 38.1 um, it is not.
    let found = findings(r#"<circle cx="5" cy="5" r="0.025"/>"#);
    assert!(codes(&found, "opening-narrow").is_empty(), "{found:?}");
    assert!(codes(&found, "aspect-ratio").is_empty(), "{found:?}");
    // A hole of 30 um is 30 um wide.
    let found = findings(r#"<circle cx="5" cy="5" r="0.015"/>"#);
    let narrow = codes(&found, "aspect-ratio");
    assert_eq!(narrow.len(), 1, "{found:?}");
    assert!((narrow[0].measured_um.unwrap() - 30.0).abs() < 0.4);
    // Corners rounded with 10 um, of an opening and of a tongue of foil.
    for body in [
        r#"<rect x="4" y="4" width="0.09" height="0.06" rx="0.01"/>"#,
        r#"<path d="M4 4h2v2h-2z M4.5 4.51a.01 .01 0 0 1 .01 -.01h.5a.01 .01 0 0 1 .01 .01v.5h-.52z"/>"#,
    ] {
        let found = findings(body);
        let necks = ["opening-narrow", "aspect-ratio", "web-narrow"];
        for code in necks {
            assert!(codes(&found, code).is_empty(), "{body}: {found:?}");
        }
    }
    // A slot with round ends, one with flat ends and a tapered one are narrow.
    for (body, um) in [
        (
            r#"<rect x="4" y="4" width="1" height="0.02" rx="0.01"/>"#,
            20.0,
        ),
        (r#"<rect x="4" y="4" width="1" height="0.02"/>"#, 20.0),
        (r#"<path d="M4 4h1v0.022l-1 -0.002z"/>"#, 20.0),
    ] {
        let found = findings(body);
        let narrow = codes(&found, "opening-narrow");
        assert_eq!(narrow.len(), 1, "{body}: {found:?}");
        assert!(
            (narrow[0].measured_um.unwrap() - um).abs() < 0.3,
            "{found:?}"
        );
    }
}
