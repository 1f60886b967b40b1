//! How long reading takes beside the SVG library alone.

use foilwright::artwork::{ReadOptions, read_str};
use std::fmt::Write;
use std::time::Instant;

/// 40,000 openings of 32 vertices: polygons about circles, or stars that are not convex.
fn plate(star: bool) -> String {
    let mut text = String::from(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" viewBox="0 0 200 200"><g id="metal">"#,
    );
    for i in 0..40_000 {
        let (x, y) = (f64::from(i % 200) + 0.5, f64::from(i / 200) + 0.5);
        text.push_str("<path d=\"");
        for k in 0..32 {
            let r = if star && k % 2 == 0 { 0.2 } else { 0.4 };
            let a = std::f64::consts::TAU * f64::from(k) / 32.0;
            let letter = if k == 0 { 'M' } else { 'L' };
            let _ = write!(
                text,
                "{letter}{:.4} {:.4}",
                x + r * a.cos(),
                y + r * a.sin()
            );
        }
        text.push_str("Z\"/>");
    }
    text.push_str("</g></svg>");
    text
}

#[test]
#[ignore = "slow: reads 1.3 million vertices and prints times"]
fn slow_reading_takes_a_small_multiple_of_parsing() {
    for star in [false, true] {
        let text = plate(star);
        let begun = Instant::now();
        let tree = resvg::usvg::Tree::from_str(&text, &resvg::usvg::Options::default())
            .expect("it is SVG");
        let library_s = begun.elapsed().as_secs_f64();
        assert!(tree.root().has_children());
        let begun = Instant::now();
        let checked = read_str(&text, "plate.svg", &ReadOptions::default()).expect("it is read");
        let ours_s = begun.elapsed().as_secs_f64();
        assert_eq!(checked.value.layers[0].openings.len(), 40_000);
        println!(
            "{:.1} MB, star {star}: library {library_s:.3} s, whole reading {ours_s:.3} s, {:.1} times",
            text.len() as f64 / 1e6,
            ours_s / library_s
        );
        assert!(
            ours_s < 20.0 * library_s,
            "{ours_s} s against {library_s} s"
        );
    }
}
