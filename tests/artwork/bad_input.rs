//! Drawings that are refused, and with which words.

use super::{page, read_text};
use foilwright::artwork::{ReadOptions, read, read_str};
use std::path::Path;

/// The codes and the printed message of a refusal.
fn refused(text: &str) -> (Vec<&'static str>, String) {
    match read_text(text) {
        Ok(_) => panic!(
            "read although it should be refused: {}",
            &text[..text.len().min(300)]
        ),
        Err(e) => (e.refusals.iter().map(|r| r.code).collect(), e.to_string()),
    }
}

fn refused_with(text: &str, code: &str, words: &[&str]) {
    let (codes, message) = refused(text);
    assert!(
        codes.contains(&code),
        "{code} is not in {codes:?}: {message}"
    );
    for word in words.iter().chain(&["plate.svg"]) {
        assert!(message.contains(word), "`{word}` is not in: {message}");
    }
}

#[test]
fn what_has_no_cut_meaning_is_named_with_element_layer_and_place() {
    let defs = r##"<defs><linearGradient id="fade"><stop offset="0"/><stop offset="1" stop-color="#fff"/></linearGradient>
        <pattern id="hatch" width="1" height="1" patternUnits="userSpaceOnUse"><rect width="0.5" height="1"/></pattern>
        <mask id="veil"><rect width="9" height="9" fill="#fff"/></mask>
        <filter id="blur"><feGaussianBlur stdDeviation="1"/></filter></defs>"##;
    for (code, attribute) in [
        ("gradient", r##"fill="url(#fade)""##),
        ("gradient", r##"stroke="url(#fade)""##),
        ("pattern", r##"fill="url(#hatch)""##),
        ("mask", r##"mask="url(#veil)""##),
        ("filter", r##"filter="url(#blur)""##),
        ("partial-opacity", r##"opacity="0.5""##),
        ("partial-opacity", r##"fill-opacity="0.25""##),
        ("partial-opacity", r##"fill="rgba(0,0,0,0.3)""##),
        ("blend-mode", r##"style="mix-blend-mode:multiply""##),
    ] {
        let text = page(&format!(
            r#"{defs}<g id="metal"><rect id="strip" {attribute} x="2" y="3" width="4" height="2"/></g>"#
        ));
        refused_with(
            &text,
            code,
            &[
                "element `strip`",
                "layer `metal`",
                "at (4.000, 4.000) mm",
                "cut meaning",
            ],
        );
    }
}

#[test]
fn several_reasons_are_listed_together() {
    let (codes, message) = refused(&page(
        r#"<rect id="a" x="1" y="1" width="1" height="1" opacity="0.5"/>
        <image id="b" x="1" y="1" width="3" height="3" href="photo.png"/>
        <text id="c" x="1" y="5" font-family="Nowhere Grotesk">T</text>"#,
    ));
    assert_eq!(codes, ["partial-opacity", "raster-image", "missing-font"]);
    assert!(message.contains("3 things"), "{message}");
    assert!(
        message.contains("Nowhere Grotesk") && message.contains("--fonts"),
        "{message}"
    );
}

#[test]
fn images_and_html_are_refused_and_nothing_is_loaded() {
    // A file that exists: were it opened, it would be drawn instead of refused.
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/contact-pads.svg");
    for href in [
        here.display().to_string(),
        "https://example.org/a.png".to_owned(),
        "data:image/png;base64,AAAA".to_owned(),
    ] {
        refused_with(
            &page(&format!(
                r#"<image id="photo" x="1" y="1" width="3" height="3" href="{href}"/>"#
            )),
            "raster-image",
            &["element `photo`", "trace it"],
        );
    }
    refused_with(
        &page(
            r#"<foreignObject id="note" width="3" height="3"><p xmlns="http://www.w3.org/1999/xhtml">x</p></foreignObject>"#,
        ),
        "foreign-object",
        &["element `note`"],
    );
    let outside = read_text(&page(
        r#"<use id="far" href="other.svg#a"/><rect x="1" y="1" width="1" height="1"/>"#,
    ))
    .expect("it is read");
    let finding = outside
        .findings
        .iter()
        .find(|f| f.code == "broken-reference")
        .expect("told");
    assert_eq!(finding.element_id.as_deref(), Some("far"));
}

#[test]
fn no_drawing_at_all() {
    refused_with("solder paste", "not-svg", &["plain SVG"]);
    refused_with("", "not-svg", &["plain SVG"]);
    refused_with("<html><body/></html>", "not-svg", &["`html`"]);
    let whole = page(r#"<rect x="1" y="1" width="1" height="1"/>"#);
    refused_with(&whole[..whole.len() - 12], "not-svg", &["cut short"]);
}

#[test]
fn files_that_cannot_be_read() {
    let dir = tempfile::tempdir().expect("a folder");
    let missing = dir.path().join("none.svg");
    let error = read(&missing, &ReadOptions::default()).expect_err("there is no such file");
    assert!(error.to_string().contains("none.svg") && error.refusals[0].code == "unreadable");
    for (bytes, word) in [
        (&[0x1f, 0x8b, 8, 0][..], "compressed"),
        (&[0xff, 0x00, 0xc3, 0x28], "UTF-8"),
    ] {
        let path = dir.path().join("odd.svg");
        std::fs::write(&path, bytes).expect("a file");
        let error = read(&path, &ReadOptions::default())
            .expect_err("no text")
            .to_string();
        assert!(error.contains(word), "{error}");
    }
    let wide: Vec<u8> = [0xff, 0xfe]
        .into_iter()
        .chain(
            page(r#"<rect x="1" y="1" width="1" height="1"/>"#)
                .encode_utf16()
                .flat_map(u16::to_le_bytes),
        )
        .collect();
    let path = dir.path().join("wide.svg");
    std::fs::write(&path, wide).expect("a file");
    assert_eq!(
        read(&path, &ReadOptions::default())
            .expect("UTF-16 is read")
            .value
            .stem,
        "wide"
    );
}

#[test]
fn page_sizes_that_are_none() {
    let svg = |attributes: &str| {
        format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" {attributes}><rect x="1" y="1" width="1" height="1"/></svg>"#
        )
    };
    for attributes in [
        "",
        r#"width="100" height="100""#,
        r#"width="100px" height="9mm""#,
        r#"width="100%" height="100%" viewBox="0 0 9 9""#,
    ] {
        refused_with(&svg(attributes), "no-physical-size", &["--width 25mm"]);
    }
    refused_with(
        &svg(r#"width="0mm" height="0mm""#),
        "empty-page",
        &["no area"],
    );
    refused_with(
        &svg(r#"width="-5mm" height="5mm""#),
        "empty-page",
        &["no area"],
    );
    refused_with(
        &svg(r#"width="NaNmm" height="5mm""#),
        "bad-size",
        &["NaNmm"],
    );
    refused_with(&svg(r#"width="ten" height="5mm""#), "bad-size", &["ten"]);
    refused_with(&svg(r#"width="5m" height="5m""#), "bad-size", &["5m"]);
    refused_with(
        &svg(r#"width="3000mm" height="5mm""#),
        "page-too-large",
        &["3000.0"],
    );
    let options = ReadOptions {
        width_mm: Some(f64::NAN),
        ..ReadOptions::default()
    };
    assert!(read_str(&svg(""), "plate.svg", &options).is_err());
}

#[test]
fn coordinates_beyond_reason() {
    for body in [
        r#"<path id="far" d="M0 0L1e30 0L0 1e30z"/>"#,
        r#"<rect id="far" x="5000" y="1" width="3" height="3"/>"#,
        r#"<path id="far" fill="none" stroke="black" stroke-width="1e7" d="M1 1L5 5"/>"#,
    ] {
        refused_with(&page(body), "too-far", &["element `far`", "1000 mm"]);
    }
    // Not numbers: the path ends where they begin, and the reader's words about it are passed on.
    let nan =
        read_text(&page(r#"<path d="M1 1H4V4H1zM NaN 3L5 5"/>"#)).expect("the first part is read");
    assert!(
        nan.findings.iter().any(|f| f.code == "svg-warning"),
        "{:?}",
        nan.findings
    );
    let beyond = page(
        r#"<path d="M1 1L1e300 0L0 1e300z"/><rect x="1" y="1" width="1" height="1" transform="scale(1e-300)"/>"#,
    );
    drop(read_text(&beyond));
}

#[test]
fn nesting_and_entities_are_bounded() {
    let deep = 1_000_000;
    let text = page(&format!("{}{}", "<g>".repeat(deep), "</g>".repeat(deep)));
    refused_with(&text, "too-deep", &["256"]);
    let unclosed = format!("{}{}", page(""), "<g>".repeat(deep));
    assert!(read_text(&unclosed).is_err());
    let bomb: String = (1..12)
        .map(|i| format!("<!ENTITY a{i} \"{}\">", format!("&a{};", i - 1).repeat(10)))
        .collect();
    let text = format!(
        r#"<!DOCTYPE svg [<!ENTITY a0 "x">{bomb}]><svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm"><text>&a11;</text></svg>"#
    );
    refused_with(&text, "not-svg", &["readable"]);
    let nested_entity = r#"<!DOCTYPE svg [<!ENTITY a "<g>"><!ENTITY b "&a;&b;">]><svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm">&b;</svg>"#;
    assert!(read_text(nested_entity).is_err());
}

#[test]
fn attributes_and_prefixes_of_one_element_are_bounded() {
    let many = |n: usize, prefix: &str| -> String {
        (0..n).map(|i| format!(r#" {prefix}a{i}="u""#)).collect()
    };
    let rect = |attributes: &str| {
        page(&format!(
            r#"<g id="L"><rect x="1" y="1" width="1" height="1"{attributes}/></g>"#
        ))
    };
    refused_with(
        &rect(&many(1001, "")),
        "too-many-attributes",
        &["line 1", "1005", "1000"],
    );
    assert!(read_text(&rect(&many(990, ""))).is_ok());
    // Prefixes add up over what is nested.
    let nested = |n: usize| {
        let groups: String = (0..10)
            .map(|k| format!("<g{}>", many(n, &format!("xmlns:b{k}"))))
            .collect();
        page(&format!(
            r#"{groups}<rect x="1" y="1" width="1" height="1"/>{}"#,
            "</g>".repeat(10)
        ))
    };
    refused_with(&nested(21), "too-many-prefixes", &["200"]);
    assert!(read_text(&nested(19)).is_ok());
}

#[test]
fn styles_that_take_more_than_linear_time_are_bounded() {
    let shape = r#"<rect x="1" y="1" width="1" height="1"/>"#;
    let sheet =
        |css: &str, body: &str| page(&format!("<style>{css}</style><g id=\"L\">{body}</g>"));
    let hint = "attributes of the elements";
    refused_with(
        &sheet(&"*{fill:#000}".repeat(20_000), shape),
        "too-much-style",
        &["style sheets", hint],
    );
    assert!(read_text(&sheet(&"*{fill:#000}".repeat(5_000), shape)).is_ok());
    let long = format!(
        r#"<g id="L"><rect x="1" y="1" width="1" height="1" style="{}"/></g>"#,
        "fill:#000;".repeat(30_000)
    );
    refused_with(&page(&long), "too-much-style", &[hint]);
    // A selector of six steps has C(200, 5) ways up from an element at depth 200.
    let deep = format!("{}{shape}{}", "<g>".repeat(200), "</g>".repeat(200));
    refused_with(
        &sheet("x g g g g g{fill:#000}", &deep),
        "too-much-style",
        &["1 selectors", hint],
    );
    assert!(read_text(&sheet("x g g{fill:#000}", &deep)).is_ok());
}

#[test]
fn uses_that_multiply_are_bounded() {
    let levels: String = (1..12)
        .map(|i| {
            format!(
                r##"<g id="n{i}">{}</g>"##,
                format!(r##"<use href="#n{}"/>"##, i - 1).repeat(10)
            )
        })
        .collect();
    let text = page(&format!(
        r##"<defs><rect id="n0" x="1" y="1" width="1" height="1"/>{levels}</defs><use id="all" href="#n11"/>"##
    ));
    let begun = std::time::Instant::now();
    assert!(read_text(&text).is_err());
    assert!(begun.elapsed().as_secs() < 60, "took {:?}", begun.elapsed());
}

#[test]
fn dashes_and_curves_beyond_count_are_refused() {
    refused_with(
        &page(
            r#"<path id="dust" fill="none" stroke="black" stroke-width="0.1" stroke-dasharray="1e-6" d="M1 1H9"/>"#,
        ),
        "too-large",
        &["element `dust`", "dash pattern"],
    );
    let huge = "C 1e7 1e7 -1e7 1e7 5 5 ".repeat(2000);
    refused_with(
        &page(&format!(r#"<path id="huge" d="M1 1{huge}"/>"#)),
        "too-far",
        &["element `huge`"],
    );
}

#[test]
fn settings_and_names_that_are_wrong() {
    for (attribute, word) in [
        (r#"data-tie-width="100""#, "no unit"),
        (r#"data-tie-width="-1mm""#, "negative"),
        (r#"data-tie-count="two""#, "whole number"),
    ] {
        refused_with(
            &page(&format!(
                r#"<rect id="pad" {attribute} x="1" y="1" width="1" height="1"/>"#
            )),
            "bad-tie-setting",
            &["element `pad`", word],
        );
    }
    refused_with(
        &page(
            r#"<g id="Hot"><rect x="1" y="1" width="1" height="1"/></g><g id="hot"><rect x="3" y="1" width="1" height="1"/></g>"#,
        ),
        "layer-names-collide",
        &["`Hot`"],
    );
}

#[test]
fn cut_short_or_damaged_text_never_panics() {
    let text = include_str!("../../fixtures/thermocouple-copies.svg");
    for end in (0..text.len()).step_by(7) {
        if let Err(error) = read_text(&text[..end]) {
            assert!(
                error.refusals.iter().all(|r| r.code != "internal"),
                "{error}"
            );
        }
    }
    // Every byte in turn replaced by others that matter to XML and numbers.
    for (i, c) in text.char_indices().step_by(3) {
        for new in ["<", "\"", "-", "9", "e"] {
            let damaged = format!("{}{new}{}", &text[..i], &text[i + c.len_utf8()..]);
            if let Err(error) = read_text(&damaged) {
                assert!(
                    error.refusals.iter().all(|r| r.code != "internal"),
                    "{damaged}\n{error}"
                );
            }
        }
    }
}

#[test]
fn more_text_than_a_stencil_holds_is_refused() {
    refused_with(
        &page(&format!("<text>{}</text>", "hot ".repeat(2501))),
        "too-much-text",
        &["10004 letters", "10000"],
    );
}
