//! Reading drawings: size, layers, paint, and the truth against a renderer.

mod truth;

use foilwright::artwork::{ArtworkError, ReadOptions, read_str};

fn page(body: &str) -> String {
    format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="10mm" height="10mm" viewBox="0 0 10 10">{body}</svg>"#
    )
}

fn read(
    text: &str,
) -> Result<foilwright::finding::Checked<foilwright::artwork::Artwork>, ArtworkError> {
    read_str(text, "plate.svg", &ReadOptions::default())
}

/// Total open area of the first layer, square millimetres.
fn open_mm2(text: &str) -> f64 {
    let checked = read(text).unwrap_or_else(|e| panic!("{e}"));
    checked.value.layers[0].openings.area_nm2() / 1e12
}

#[test]
fn dark_opens_and_light_closes_in_document_order() {
    let dark = r##"<rect id="pad" x="1" y="1" width="4" height="4"/>"##;
    let light = r##"<rect id="rib" x="2" y="0" width="1" height="9" fill="#fff"/>"##;
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-6, "{a} is not {b}");
    close(open_mm2(&page(dark)), 16.0);
    close(open_mm2(&page(&format!("{dark}{light}"))), 12.0);
    close(open_mm2(&page(&format!("{light}{dark}"))), 16.0);
}
