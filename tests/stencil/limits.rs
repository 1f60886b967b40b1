//! Rules: necks of known width, published ratios, droop and buckling.

use super::{codes, recipe, tied};
use foilwright::stencil::rules::{
    area_ratio, bridge_droop_um, buckling_rise_k, check, tongue_droop_um,
};

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
