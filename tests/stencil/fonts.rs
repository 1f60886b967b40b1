//! Letters as stencils: fonts made for stencils need no bars, their plain twins need them where letters have counters.

use super::raster::Raster;
use super::{codes, recipe, sheet};
use foilwright::artwork::{self, ReadOptions};
use foilwright::stencil::{IslandMode, hold_together, loose_pieces};
use skrifa::MetadataProvider;
use skrifa::instance::{LocationRef, Size};
use skrifa::outline::{DrawSettings, OutlinePen};

const LETTERS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789&@#%$";
const PAGE_MM: f64 = 16.0;

/// A font of `.outside/fonts`, or words that it is missing.
fn font(file: &str) -> Option<Vec<u8>> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join(".outside/fonts")
        .join(file);
    let bytes = std::fs::read(path).ok();
    if bytes.is_none() {
        println!("{file}: skipped, not in .outside/fonts (run tests/outside/fonts.sh)");
    }
    bytes
}

struct Pen {
    path: String,
    mm_per_unit: f64,
}

impl Pen {
    fn point(&mut self, letter: &str, points: &[[f32; 2]]) {
        self.path.push_str(letter);
        for [x, y] in points {
            let at = |v: f32, from: f64, sign: f64| from + sign * f64::from(v) * self.mm_per_unit;
            self.path.push_str(&format!(
                " {:.6} {:.6}",
                at(*x, 3.0, 1.0),
                at(*y, 11.0, -1.0)
            ));
        }
    }
}

impl OutlinePen for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.point("M", &[[x, y]]);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.point("L", &[[x, y]]);
    }
    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        self.point("Q", &[[cx, cy], [x, y]]);
    }
    fn curve_to(&mut self, ax: f32, ay: f32, bx: f32, by: f32, x: f32, y: f32) {
        self.point("C", &[[ax, ay], [bx, by], [x, y]]);
    }
    fn close(&mut self) {
        self.path.push('Z');
    }
}

/// The letters of a font, each with the drawing of its outline; the height of capitals is 5 mm.
fn glyphs(bytes: &[u8]) -> Vec<(char, String)> {
    let font = skrifa::FontRef::new(bytes).unwrap();
    let (size, at) = (Size::unscaled(), LocationRef::default());
    let (map, outlines) = (font.charmap(), font.outline_glyphs());
    // Capitals without overshoot: the height of H.
    let height = font
        .glyph_metrics(size, at)
        .bounds(map.map('H').unwrap())
        .map_or_else(|| font.metrics(size, at).cap_height.unwrap(), |b| b.y_max);
    LETTERS
        .chars()
        .filter_map(|c| {
            let outline = outlines.get(map.map(c)?)?;
            let mut pen = Pen {
                path: String::new(),
                mm_per_unit: 5.0 / f64::from(height),
            };
            outline
                .draw(DrawSettings::unhinted(size, at), &mut pen)
                .unwrap();
            Some((c, pen.path))
        })
        .collect()
}

/// The letters of a font, how many there are, and those that need bars. Everything is held in the end, and letters
/// need bars exactly where a picture of them shows loose foil.
fn needing(bytes: &[u8]) -> (usize, String) {
    let recipe = recipe();
    let page = sheet(PAGE_MM, PAGE_MM);
    let mut tied = String::new();
    let glyphs = glyphs(bytes);
    for (c, path) in &glyphs {
        let svg = format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" width="{PAGE_MM}mm" height="{PAGE_MM}mm" viewBox="0 0 {PAGE_MM} {PAGE_MM}"><g id="l"><path d="{path}"/></g></svg>"#
        );
        let art = artwork::read_str(&svg, "letter", &ReadOptions::default()).unwrap();
        let out = hold_together(&art.value.layers[0], &page, &recipe, IslandMode::Tie);
        let s = &out.value[0];
        assert!(
            codes(&out.findings, "island-untied").is_empty(),
            "{c}: {:?}",
            out.findings
        );
        assert_eq!(loose_pieces(&page, &s.openings, &recipe), 0, "{c}");
        let seen = |openings| {
            Raster::of(openings, [PAGE_MM * 1e6, PAGE_MM * 1e6], 12.5e3)
                .eroded(1)
                .loose()
                .iter()
                // Of at least 2 x 2 minimum webs.
                .filter(|&&pixels| pixels >= 16)
                .count()
        };
        assert_eq!(seen(&s.openings), 0, "{c}: the picture shows loose foil");
        assert_eq!(
            seen(&s.drawn) > 0,
            !s.tie_bars.is_empty(),
            "{c}: bars are for loose foil only"
        );
        if !s.tie_bars.is_empty() {
            tied.push(*c);
        }
    }
    (glyphs.len(), tied)
}

// The counts are facts of the fonts, taken from a survey of the glyphs A-Z a-z 0-9 & @ # % $ with another
// program: fonts-allerta 2.01 (Debian), fontsource's saira, saira-stencil-one and stardos-stencil, weight 400; all OFL-1.1.

fn check(file: &str, letters: usize, tied: usize) -> Option<String> {
    let bytes = font(file)?;
    let (count, which) = needing(&bytes);
    assert_eq!(count, letters, "{file}");
    assert_eq!(which.chars().count(), tied, "{file}: {which}");
    println!("{file}: {tied} of {letters} letters need bars: {which}");
    Some(which)
}

#[test]
fn plain_fonts_need_bars_where_letters_have_counters() {
    for (file, letters, tied) in [("allerta_medium.otf", 66, 23), ("saira.ttf", 67, 23)] {
        if let Some(which) = check(file, letters, tied) {
            for c in "ABDOPQRabdegopq0689@%".chars() {
                assert!(which.contains(c), "{file}: {c} has a counter");
            }
        }
    }
}

#[test]
fn stencil_fonts_need_no_bars() {
    for (file, letters, tied) in [
        ("allerta_stencil.otf", 66, ""),
        ("saira-stencil-one.ttf", 67, ""),
        ("stardos-stencil.ttf", 67, "#"),
    ] {
        if let Some(which) = check(file, letters, tied.len()) {
            assert_eq!(which, tied, "{file}");
        }
    }
}
