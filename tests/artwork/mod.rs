//! Reading drawings: size, layers, warnings, refusals, accuracy, and the truth against a renderer.

mod accuracy;
mod bad_input;
mod speed;
mod truth;

use foilwright::artwork::{Artwork, ArtworkError, Layer, ReadOptions, read, read_str};
use foilwright::finding::{Checked, Finding, Severity};
use foilwright::regions::Point;
use std::path::Path;

fn page(body: &str) -> String {
    format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="10mm" height="10mm" viewBox="0 0 10 10">{body}</svg>"#
    )
}

fn read_text(text: &str) -> Result<Checked<Artwork>, ArtworkError> {
    read_str(text, "plate.svg", &ReadOptions::default())
}

fn read_page(body: &str) -> Checked<Artwork> {
    read_text(&page(body)).unwrap_or_else(|e| panic!("{e}"))
}

fn fixture(name: &str) -> Checked<Artwork> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name);
    read(&path, &ReadOptions::default()).unwrap_or_else(|e| panic!("{e}"))
}

fn open_mm2(layer: &Layer) -> f64 {
    layer.openings.area_nm2() / 1e12
}

fn close(a: f64, b: f64) {
    assert!((a - b).abs() < 1e-5, "{a} is not {b}");
}

fn found<'a>(checked: &'a Checked<Artwork>, code: &str) -> &'a Finding {
    checked
        .findings
        .iter()
        .find(|f| f.code == code)
        .unwrap_or_else(|| panic!("no {code} in {:#?}", checked.findings))
}

fn names(checked: &Checked<Artwork>) -> Vec<&str> {
    checked
        .value
        .layers
        .iter()
        .map(|l| l.name.as_str())
        .collect()
}

#[test]
fn dark_opens_and_light_closes_in_document_order() {
    let dark = r##"<rect id="pad" x="1" y="1" width="4" height="4"/>"##;
    let light = r##"<rect id="rib" x="2" y="0" width="1" height="9" fill="#fff"/>"##;
    let open = |body: &str| open_mm2(&read_page(body).value.layers[0]);
    close(open(dark), 16.0);
    close(open(&format!("{dark}{light}")), 12.0);
    close(open(&format!("{light}{dark}")), 16.0);
    close(open(&format!("{dark}{light}{dark}{light}{dark}")), 16.0);
}

#[test]
fn piles_of_alternating_paint_are_laid_down_in_order() {
    // Rings one inside the other, dark and light by turns, over a dark plate: areas of discs add up.
    let count = 400;
    let radius = |i: u32| 4.5 - 4.0 * f64::from(i) / f64::from(count);
    let body: String = (0..count)
        .map(|i| {
            let fill = if i % 2 == 0 { "black" } else { "white" };
            format!(
                r#"<rect x="{0}" y="{0}" width="{1}" height="{1}" fill="{fill}"/>"#,
                5.0 - radius(i),
                2.0 * radius(i)
            )
        })
        .collect();
    let expected: f64 = (0..count)
        .map(|i| (2.0 * radius(i)).powi(2) * if i % 2 == 0 { 1.0 } else { -1.0 })
        .sum();
    let got = open_mm2(&read_page(&body).value.layers[0]);
    assert!((got - expected).abs() < 1e-3, "{got} is not {expected}");
    // Many apart from each other: each a pad with a light middle and a dark dot.
    let body: String = (0..900)
        .map(|i| {
            let (x, y) = (0.5 + f64::from(i % 30) * 0.3, 0.5 + f64::from(i / 30) * 0.3);
            format!(
                r#"<rect x="{x}" y="{y}" width="0.2" height="0.2"/><rect x="{}" y="{}" width="0.1" height="0.1" fill="white"/><rect x="{}" y="{}" width="0.05" height="0.05"/>"#,
                x + 0.05, y + 0.05, x + 0.07, y + 0.07
            )
        })
        .collect();
    // Corners fall on the grid of 1 nm: up to 0.8 nm times 1.4 mm of edge, 900 times.
    let got = open_mm2(&read_page(&body).value.layers[0]);
    assert!((got - 29.25).abs() < 1e-3, "{got}");
}

#[test]
fn any_paint_opens_what_is_not_white() {
    let text = page(
        r##"<rect x="1" y="1" width="2" height="2" fill="#ff0"/><rect x="5" y="5" width="2" height="2" fill="#fff"/>"##,
    );
    let any = ReadOptions {
        any_paint: true,
        ..ReadOptions::default()
    };
    let checked = read_str(&text, "plate.svg", &any).expect("it is read");
    close(open_mm2(&checked.value.layers[0]), 4.0);
    assert!(
        read_text(&text).expect("it is read").value.layers[0]
            .openings
            .is_empty()
    );
}

#[test]
fn the_page_size_comes_from_units_or_from_the_user() {
    let size = |attributes: &str, width_mm: Option<f64>| {
        let text = format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" {attributes}><rect x="1" y="1" width="2" height="3"/></svg>"#
        );
        let options = ReadOptions {
            width_mm,
            ..ReadOptions::default()
        };
        read_str(&text, "plate.svg", &options)
            .map(|c| (c.value.size_mm, open_mm2(&c.value.layers[0])))
    };
    // CSS Values and Units 4, section 6.2: 1 in = 2.54 cm = 72 pt = 6 pc, 1 Q = 0.25 mm.
    for (attributes, [w, h], area) in [
        (
            r#"width="20mm" height="1cm" viewBox="0 0 20 10""#,
            [20.0, 10.0],
            6.0,
        ),
        (
            r#"width="1in" height="36pt" viewBox="0 0 25.4 12.7""#,
            [25.4, 12.7],
            6.0,
        ),
        (
            r#"width="6pc" height="40Q" viewBox="0 0 25.4 10""#,
            [25.4, 10.0],
            6.0,
        ),
        (r#"width="20mm" viewBox="0 0 10 5""#, [20.0, 10.0], 24.0),
        (
            r#"width="1e1mm" height="10MM" viewBox="0 0 10 10""#,
            [10.0, 10.0],
            6.0,
        ),
    ] {
        let (got, open) = size(attributes, None).unwrap_or_else(|e| panic!("{attributes}: {e}"));
        close(got[0], w);
        close(got[1], h);
        close(open, area);
    }
    for attributes in [
        r#"viewBox="0 0 10 5""#,
        r#"width="100" height="50" viewBox="0 0 10 5""#,
    ] {
        let (got, open) =
            size(attributes, Some(20.0)).unwrap_or_else(|e| panic!("{attributes}: {e}"));
        close(got[0], 20.0);
        close(got[1], 10.0);
        close(open, 24.0);
    }
}

#[test]
fn a_width_that_is_not_needed_is_told() {
    let options = ReadOptions {
        width_mm: Some(50.0),
        ..ReadOptions::default()
    };
    let checked = read_str(
        &page(r#"<rect x="1" y="1" width="2" height="2"/>"#),
        "p.svg",
        &options,
    )
    .expect("it is read");
    assert_eq!(checked.value.size_mm, [10.0, 10.0]);
    found(&checked, "width-not-used");
}

#[test]
fn labelled_groups_are_layers_and_the_rest_is_told() {
    let checked = fixture("layers-labelled.svg");
    assert_eq!(
        names(&checked),
        ["chromel", "constantan", "contact-pads", "layers-labelled"]
    );
    let stray = found(&checked, "outside-layers");
    assert_eq!(stray.element_id.as_deref(), Some("scrap"));
    assert_eq!(stray.severity, Severity::Warning);
    assert_eq!(
        found(&checked, "layer-renamed").layer.as_deref(),
        Some("contact-pads")
    );
}

#[test]
fn groups_with_ids_are_layers_where_none_is_labelled() {
    let checked = fixture("layers-by-id.svg");
    assert_eq!(names(&checked), ["metal", "absorber"]);
    close(open_mm2(&checked.value.layers[0]), 9.0);
}

#[test]
fn a_wrapper_group_is_looked_through() {
    let checked = fixture("layers-in-one-group.svg");
    assert_eq!(names(&checked), ["first", "second"]);
    close(open_mm2(&checked.value.layers[0]), 4.5);
    assert_eq!(
        found(&checked, "wrapper-group").element_id.as_deref(),
        Some("sheet-1")
    );
}

#[test]
fn common_goes_everywhere_notes_and_hidden_layers_nowhere() {
    let checked = fixture("common-and-notes.svg");
    assert_eq!(names(&checked), ["bottom", "top"]);
    // The fiducial is a cross of two 0.2 x 1 mm arms.
    for layer in &checked.value.layers {
        close(open_mm2(layer), 6.0 + 0.36);
        assert!(layer.elements.iter().any(|e| e.id == "fiducial"));
    }
    assert_eq!(
        found(&checked, "notes-layer").layer.as_deref(),
        Some("_remarks")
    );
    assert_eq!(
        found(&checked, "hidden-layer").layer.as_deref(),
        Some("spare")
    );
}

#[test]
fn bars_placed_by_hand_are_lines_and_no_paint() {
    let checked = fixture("hand-placed-bars.svg");
    let layer = &checked.value.layers[0];
    let lines: Vec<_> = layer
        .tie_lines
        .iter()
        .map(|t| (t.id.as_str(), t.from, t.to, t.width_um))
        .collect();
    let mm = |x: f64, y: f64| Point::new((x * 1e6) as i32, (y * 1e6) as i32);
    assert_eq!(lines.len(), 2, "{lines:?}");
    let near = |a: Point, b: Point| (a.x - b.x).abs() <= 2 && (a.y - b.y).abs() <= 2;
    assert!(
        lines[0].0 == "bar-1" && near(lines[0].1, mm(0.5, 5.0)) && near(lines[0].2, mm(3.0, 5.0))
    );
    assert!(lines[1].0 == "bar-2" && near(lines[1].1, mm(7.0, 5.0)) && lines[1].3 == Some(200.0));
    // The keep-clear zone paints nothing, yet is known.
    close(layer.keep_clear.area_nm2() / 1e12, 5.0);
    assert!((open_mm2(layer) - std::f64::consts::PI * (16.0 - 6.25)).abs() < 5e-3);
    let ties = layer.elements[0].ties;
    assert_eq!(
        (ties.width_um, ties.count, ties.span_mm),
        (Some(150.0), Some(3), Some(1.0))
    );
}

#[test]
fn doubtful_paint_is_named() {
    let checked = read_page(
        r##"<rect id="grey" x="1" y="1" width="1" height="1" fill="#707070"/>
        <rect id="patch" x="4" y="1" width="1" height="1" fill="white"/>
        <path id="ring" d="M1 5h2v2h-2z" fill="none" stroke="black" stroke-width="0.1"/>
        <rect id="parked" x="20" y="1" width="1" height="1"/>"##,
    );
    for (code, id) in [
        ("middle-luminance", "grey"),
        ("light-over-nothing", "patch"),
        ("outline-without-fill", "ring"),
        ("outside-page", "parked"),
    ] {
        let finding = found(&checked, code);
        assert_eq!(finding.element_id.as_deref(), Some(id), "{code}");
        assert_eq!(finding.severity, Severity::Warning);
        assert!(
            !finding.hint.is_empty() && finding.at_mm.is_some(),
            "{code}"
        );
    }
    let [x, y] = found(&checked, "middle-luminance").at_mm.expect("a place");
    close(x, 1.5);
    close(y, 1.5);
    assert!(
        (read_page(r#"<rect x="-1" y="-1" width="12" height="12"/>"#).findings)
            .iter()
            .any(|f| f.code == "page-sized-shape")
    );
    let background = read_page(
        r#"<rect fill="white" width="10" height="10"/><rect x="1" y="1" width="1" height="1"/>"#,
    );
    assert_eq!(
        found(&background, "light-background").severity,
        Severity::Note
    );
}

#[test]
fn a_clean_drawing_is_not_nagged_about() {
    for name in [
        "contact-pads.svg",
        "absorber-fill-rules.svg",
        "scaled-page.svg",
        "thermocouple-copies.svg",
    ] {
        assert_eq!(fixture(name).findings, [], "{name}");
    }
}

#[test]
fn an_empty_layer_is_told() {
    let checked =
        read_page(r#"<g id="metal"><rect x="1" y="1" width="2" height="2"/></g><g id="oxide"/>"#);
    assert_eq!(
        found(&checked, "empty-layer").layer.as_deref(),
        Some("oxide")
    );
}

#[test]
fn long_rows_of_one_warning_are_counted() {
    let body: String = (0..500)
        .map(|i| {
            format!(
                r##"<rect x="{}" y="1" width="0.001" height="1" fill="#777"/>"##,
                1.0 + f64::from(i) * 0.01
            )
        })
        .collect();
    let checked = read_page(&body);
    let rows: Vec<_> = checked
        .findings
        .iter()
        .filter(|f| f.code == "middle-luminance")
        .collect();
    assert_eq!(rows.len(), 11);
    assert!(
        rows[10].message.starts_with("490 more"),
        "{}",
        rows[10].message
    );
}

#[test]
fn elements_without_id_are_known_by_row_and_column() {
    let checked = read_page("\n  <g>\n    <rect x=\"1\" y=\"1\" width=\"1\" height=\"1\"/></g>");
    assert_eq!(checked.value.layers[0].elements[0].id, "3:5");
    let entity = "<!DOCTYPE svg [<!ENTITY w \"2\">]><svg xmlns=\"http://www.w3.org/2000/svg\" width=\"9mm\" height=\"9mm\" viewBox=\"0 0 9 9\"><rect x=\"1\" y=\"1\" width=\"&w;\" height=\"1\"/></svg>";
    close(
        open_mm2(&read_text(entity).expect("it is read").value.layers[0]),
        2.0,
    );
}

#[test]
fn what_is_invisible_is_nothing() {
    let checked = read_page(
        r##"<rect id="a" x="1" y="1" width="2" height="2"/>
        <rect x="5" y="5" width="2" height="2" opacity="0"/><rect x="5" y="5" width="2" height="2" fill-opacity="0"/>
        <rect x="5" y="5" width="2" height="2" fill="none"/><rect x="5" y="5" width="2" height="2" visibility="hidden"/>
        <rect x="5" y="5" width="2" height="2" display="none"/><rect x="5" y="5" width="2" height="2" fill="transparent"/>"##,
    );
    close(open_mm2(&checked.value.layers[0]), 4.0);
}

#[test]
fn fonts_used_are_named() {
    let checked = fixture("plate-label.svg");
    assert_eq!(
        checked.value.fonts,
        ["DejaVuSans", "DejaVuSansMono", "DejaVuSerif-Bold"]
    );
}

#[test]
fn reading_twice_gives_the_same() {
    for name in [
        "plate-label.svg",
        "meander-strokes.svg",
        "thermocouple-copies.svg",
    ] {
        let (a, b) = (fixture(name), fixture(name));
        for (a, b) in a.value.layers.iter().zip(&b.value.layers) {
            assert!(a.openings == b.openings, "{name}");
        }
    }
}

/// Drawings that refer to something are read through the SVG library alone, others straight from their text.
#[test]
fn both_ways_of_reading_give_the_same_openings() {
    let shapes = [
        r#"<path d="M1 1L3 1.5 2.5 3zM5,5h1.5v-.5l-1 .25m3 3L8 9 7.5 8Z"/>"#,
        r#"<path d="m1,1 2-.5.5.5-1 1zl1-1 3 3z M4e0 4L5 4 5 5"/>"#,
        r#"<path d="M1 5C2 3 4 3 5 5S8 7 9 5Q8 9 5 8T1 5z" fill-rule="evenodd"/>"#,
        r#"<path d="M2 5a3 2 30 1 1 4 1 1 1 0 0 0 -2 -1z"/>"#,
        r#"<circle cx="4" cy="5" r="2.5"/><ellipse cx="7" cy="4" rx="1" ry="2"/>"#,
        r#"<rect x="1" y="1" width="3" height="2"/><rect x="5" y="5" width="3" height="2" rx=".5"/>"#,
        r#"<polygon points="1,1 4,2 2,5"/><polyline points="5 5 8 5 8 8" fill="none" stroke="black" stroke-width=".2"/>"#,
        r#"<g transform="rotate(20 5 5) scale(.8)"><path d="M2 2h5v5h-5z"/><path d="M3 3v2h2v-2z" fill="white"/></g>"#,
        r#"<path d="M1 1h2v2h-2z"/><path d="M4 1h2v2h-2z"/><path id="b" d="M2 2h3v3h-3z"/><path fill="white" d="M2.2 2.2h1v1h-1z"/>"#,
        r#"<path d="M1 1h2v2h-2z" stroke="black" stroke-width=".3" stroke-dasharray=".5 .2"/>"#,
        r#"<path id="twice" d="M1 1h2v2h-2z"/><path id="twice" d="M5 5h2v2h-2z"/>"#,
        r#"<path d="M1 1h2v2h-2z" visibility="hidden"/><path d="M4 1h2v2h-2z" style="display:none"/><path d="M7 1h1v1h-1z"/>"#,
    ];
    for body in shapes {
        let straight = read_page(body);
        let through = read_page(&format!(r##"<a href="#x">{body}</a>"##));
        let (a, b) = (&straight.value.layers[0], &through.value.layers[0]);
        assert_eq!(a.openings.len(), b.openings.len(), "{body}");
        let xor = foilwright::regions::xor(&a.openings, &b.openings).area_nm2();
        // Coordinates of the library are good to a nanometre here; curves to the tolerance of 100 nm each.
        let edge = a.openings.perimeter_nm();
        let allowed = if body.contains(['C', 'a', 'Q', 'r']) {
            200.0
        } else {
            3.0
        };
        assert!(xor <= allowed * edge, "{body}: {xor} nm2 along {edge} nm");
        assert_eq!(a.elements.len(), b.elements.len(), "{body}");
    }
}

#[test]
fn elements_that_look_alike_keep_their_own_names_and_places() {
    let body = r#"<g id="metal"><path d="M1 1h1v1h-1z"/><path id="mine" d="M3 1h1v1h-1z"/><path d="M5 1h1v1h-1z"/></g>"#;
    let layer = &read_page(body).value.layers[0];
    let at = |x: i32| {
        layer
            .element_at(x * 100_000, 1_500_000)
            .map(|e| e.id.as_str())
    };
    assert!(at(15).is_some_and(|id| id.contains(':')));
    assert_eq!(at(35), Some("mine"));
    assert!(at(55).is_some_and(|id| id.contains(':') && Some(id) != at(15)));
    // Refusals name each of them, at its own place.
    let body = body.replace("<path ", r#"<path fill-opacity=".5" "#);
    let error = read_text(&page(&body)).expect_err("partial opacity has no cut meaning");
    let places: Vec<_> = error.refusals.iter().filter_map(|r| r.at_mm).collect();
    assert_eq!(places.len(), 3, "{error}");
    for (place, x) in places.iter().zip([1.5, 3.5, 5.5]) {
        close(place[0], x);
        close(place[1], 1.5);
    }
}
