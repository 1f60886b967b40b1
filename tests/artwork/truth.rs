//! What is read against what a renderer paints.
//!
//! Source of truth: the `resvg` renderer on a white page; dark is 0.2126 R + 0.7152 G + 0.0722 B of the
//! sRGB-encoded values below one half (weights of ITU-R BT.709-6, item 3.2).

use crate::support::svgs;
use foilwright::artwork::{Artwork, ReadOptions, read_str};
use foilwright::regions::{EdgeIndex, Regions};
use resvg::tiny_skia::{self, FillRule, Mask, PathBuilder, Pixmap, Transform};
use resvg::usvg::{self, roxmltree};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

const NM_PER_MM: f64 = 1e6;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn options() -> ReadOptions {
    ReadOptions {
        width_mm: Some(40.0),
        ..ReadOptions::default()
    }
}

/// With `crisp` every pixel has the colour at its centre. Without, edges are blended, also where edges of several
/// paints lie on each other and nothing of the lower ones ought to show.
fn renderer_options(crisp: bool) -> usvg::Options<'static> {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    let fonts = FONTS.get_or_init(|| {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_system_fonts();
        fonts.set_serif_family("DejaVu Serif");
        fonts.set_sans_serif_family("DejaVu Sans");
        fonts.set_monospace_family("DejaVu Sans Mono");
        Arc::new(fonts)
    });
    usvg::Options {
        fontdb: Arc::clone(fonts),
        shape_rendering: if crisp {
            usvg::ShapeRendering::CrispEdges
        } else {
            usvg::ShapeRendering::default()
        },
        ..usvg::Options::default()
    }
}

/// The text with every drawn element hidden that is not part of the layer called `name`.
fn only_layer(text: &str, name: &str, stem: &str) -> String {
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        ..Default::default()
    };
    let doc = roxmltree::Document::parse_with_options(text, options).expect("it was read before");
    let called = |n: &roxmltree::Node<'_, '_>| -> Option<String> {
        n.attributes()
            .find(|a| a.name() == "label")
            .or_else(|| n.attributes().find(|a| a.name() == "id"))
            .map(|a| a.value().replace(' ', "-"))
    };
    const NOT_DRAWN: [&str; 15] = [
        "defs",
        "style",
        "title",
        "desc",
        "metadata",
        "symbol",
        "clipPath",
        "mask",
        "linearGradient",
        "radialGradient",
        "pattern",
        "filter",
        "marker",
        "namedview",
        "script",
    ];
    let drawn =
        |n: &roxmltree::Node<'_, '_>| n.is_element() && !NOT_DRAWN.contains(&n.tag_name().name());
    let mut parent = doc.root_element();
    let tops: Vec<_> = parent.children().filter(drawn).collect();
    let is = |n: &roxmltree::Node<'_, '_>| {
        n.tag_name().name() == "g" && called(n).as_deref() == Some(name)
    };
    if let [one] = tops.as_slice()
        && !is(one)
        && name != stem
        && one.children().any(|n| is(&n))
    {
        parent = *one;
    }
    let any_label = parent
        .children()
        .any(|n| n.tag_name().name() == "g" && n.attributes().any(|a| a.name() == "label"));
    let is_layer = |n: &roxmltree::Node<'_, '_>| {
        n.tag_name().name() == "g"
            && if any_label {
                n.attributes().any(|a| a.name() == "label")
            } else {
                n.has_attribute("id")
            }
    };
    let keep_outside = name == stem && !parent.children().any(|n| is(&n));
    let mut hidden: Vec<std::ops::Range<usize>> = Vec::new();
    for node in parent.children().filter(drawn) {
        let common = is_layer(&node) && called(&node).as_deref() == Some("common");
        let keep = if keep_outside {
            !is_layer(&node)
        } else {
            is(&node)
        } || common;
        if !keep {
            hidden.push(node.range());
            continue;
        }
        // Bars placed by hand are no paint of the layer.
        let ties = node.descendants().filter(|n| {
            n.attribute("class") == Some("tie") || called(n).as_deref() == Some("_ties")
        });
        hidden.extend(ties.map(|n| n.range()));
    }
    let mut out = String::new();
    let mut done = 0;
    for range in hidden {
        out.push_str(&text[done..range.start]);
        out.push_str("<g display=\"none\">");
        out.push_str(&text[range.clone()]);
        out.push_str("</g>");
        done = range.end;
    }
    out.push_str(&text[done..]);
    out
}

/// Dark pixels of the drawing on white.
fn rendered(tree: &usvg::Tree, width: u32, height: u32) -> Vec<bool> {
    let mut pixmap = Pixmap::new(width, height).expect("a size above zero");
    pixmap.fill(tiny_skia::Color::WHITE);
    let scale = Transform::from_scale(
        width as f32 / tree.size().width(),
        height as f32 / tree.size().height(),
    );
    resvg::render(tree, scale, &mut pixmap.as_mut());
    pixmap
        .pixels()
        .iter()
        .map(|p| {
            let (r, g, b) = (
                f64::from(p.red()),
                f64::from(p.green()),
                f64::from(p.blue()),
            );
            0.2126 * r + 0.7152 * g + 0.0722 * b < 127.5
        })
        .collect()
}

/// Pixels whose centres lie in the openings.
fn rasterised(openings: &Regions, size_mm: [f64; 2], width: u32, height: u32) -> Vec<bool> {
    let mut mask = Mask::new(width, height).expect("a size above zero");
    let (sx, sy) = (
        f64::from(width) / (size_mm[0] * NM_PER_MM),
        f64::from(height) / (size_mm[1] * NM_PER_MM),
    );
    for shape in openings.shapes() {
        let mut path = PathBuilder::new();
        for ring in shape.rings() {
            for (i, p) in ring.iter().enumerate() {
                let (x, y) = ((f64::from(p.x) * sx) as f32, (f64::from(p.y) * sy) as f32);
                if i == 0 {
                    path.move_to(x, y);
                } else {
                    path.line_to(x, y);
                }
            }
            path.close();
        }
        if let Some(path) = path.finish() {
            mask.fill_path(&path, FillRule::EvenOdd, false, Transform::identity());
        }
    }
    mask.data().iter().map(|&v| v > 127).collect()
}

/// How many pixels differ farther than one pixel from an opening's edge, and the first of them in mm.
fn differing(
    artwork: &Artwork,
    text: &str,
    longest_px: u32,
    crisp: bool,
) -> Option<(usize, String)> {
    let usvg_options = renderer_options(crisp);
    let [w, h] = artwork.size_mm;
    let per_mm = f64::from(longest_px) / w.max(h);
    let (width, height) = (
        ((w * per_mm).round() as u32).max(1),
        ((h * per_mm).round() as u32).max(1),
    );
    for layer in &artwork.layers {
        let alone = only_layer(text, &layer.name, &artwork.stem);
        let tree = usvg::Tree::from_str(&alone, &usvg_options).expect("the renderer reads it");
        let truth = rendered(&tree, width, height);
        let ours = rasterised(&layer.openings, artwork.size_mm, width, height);
        let edges = EdgeIndex::new(&layer.openings);
        let mut bad = 0;
        let mut first = String::new();
        for (i, (t, o)) in truth.iter().zip(&ours).enumerate() {
            if t == o {
                continue;
            }
            let px = [
                (i % width as usize) as f64 + 0.5,
                (i / width as usize) as f64 + 0.5,
            ];
            let mm = [px[0] * w / f64::from(width), px[1] * h / f64::from(height)];
            let at = [mm[0] * NM_PER_MM, mm[1] * NM_PER_MM];
            let limit_nm = NM_PER_MM / per_mm;
            let near = edges.nearest(at).is_some_and(|(_, _, d)| d <= limit_nm);
            if !near {
                if bad == 0 {
                    first = format!(
                        "layer {} at ({:.3}, {:.3}) mm: drawn {}, read {}",
                        layer.name,
                        mm[0],
                        mm[1],
                        if *t { "dark" } else { "light" },
                        if *o { "open" } else { "closed" }
                    );
                }
                bad += 1;
            }
        }
        if bad > 0 {
            return Some((bad, first));
        }
    }
    None
}

/// Whether the resolved drawing holds something without cut meaning, told independently of the reader.
fn unsupported(group: &usvg::Group) -> bool {
    if group.opacity().get() < 1.0
        || group.blend_mode() != usvg::BlendMode::Normal
        || group.mask().is_some()
        || !group.filters().is_empty()
    {
        return true;
    }
    let plain = |paint: &usvg::Paint, opacity: usvg::Opacity| {
        opacity.get() == 0.0 || (opacity.get() == 1.0 && matches!(paint, usvg::Paint::Color(_)))
    };
    group.children().iter().any(|node| match node {
        usvg::Node::Group(g) => unsupported(g),
        usvg::Node::Path(p) => {
            p.fill().is_some_and(|f| !plain(f.paint(), f.opacity()))
                || p.stroke().is_some_and(|s| !plain(s.paint(), s.opacity()))
        }
        usvg::Node::Image(_) => true,
        usvg::Node::Text(t) => unsupported(t.flattened()),
    })
}

/// How far page or paint reach from the origin, in millimetres at 96 units an inch.
fn reaches_mm(tree: &usvg::Tree) -> f64 {
    let b = tree.root().abs_layer_bounding_box();
    let far = [
        b.left(),
        b.right(),
        b.top(),
        b.bottom(),
        tree.size().width(),
        tree.size().height(),
    ];
    far.iter().fold(0.0, |m: f64, v| m.max(f64::from(v.abs()))) * 25.4 / 96.0
}

#[derive(Default)]
struct Tally {
    compared: usize,
    refused: BTreeMap<&'static str, usize>,
    failed: BTreeMap<String, String>,
}

fn compare(name: &str, text: &str, longest_px: u32, crisp: bool, tally: &mut Tally) {
    match read_str(text, name, &options()) {
        Ok(checked) => {
            tally.compared += 1;
            if let Some((count, first)) = differing(&checked.value, text, longest_px, crisp) {
                tally
                    .failed
                    .insert(name.to_owned(), format!("{count} pixels, first {first}"));
            }
        }
        Err(error) => {
            let mut justified = true;
            for refusal in &error.refusals {
                *tally.refused.entry(refusal.code).or_default() += 1;
                justified &= match refusal.code {
                    "gradient" | "pattern" | "mask" | "filter" | "partial-opacity"
                    | "blend-mode" => usvg::Tree::from_str(text, &renderer_options(false))
                        .is_ok_and(|t| unsupported(t.root())),
                    "raster-image" => text.contains("image"),
                    "missing-font" => text.contains("<text"),
                    "page-too-large" | "too-far" => {
                        usvg::Tree::from_str(text, &renderer_options(false))
                            .is_ok_and(|t| reaches_mm(&t) > 1000.0)
                    }
                    "foreign-object" => text.contains("foreignObject"),
                    "empty-page" | "not-svg" | "bad-size" => {
                        usvg::Tree::from_str(text, &renderer_options(false)).is_err()
                    }
                    _ => false,
                };
            }
            if !justified {
                tally
                    .failed
                    .insert(name.to_owned(), format!("refused: {error}"));
            }
        }
    }
}

fn drawings(folder: &Path) -> Vec<PathBuf> {
    let mut out = Vec::new();
    svgs(folder, &mut out);
    assert!(folder.is_dir(), "a folder");
    out.sort();
    out
}

/// Compares on both threads; answers the tally.
fn compare_all(folder: &Path, paths: &[PathBuf], longest_px: u32, crisp: bool) -> Tally {
    let next = std::sync::atomic::AtomicUsize::new(0);
    let total = std::sync::Mutex::new(Tally::default());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                let mut tally = Tally::default();
                loop {
                    let i = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    let Some(path) = paths.get(i) else { break };
                    let name = path
                        .strip_prefix(folder)
                        .expect("inside")
                        .display()
                        .to_string();
                    if let Ok(text) = std::fs::read_to_string(path) {
                        compare(&name, &text, longest_px, crisp, &mut tally);
                    }
                }
                let mut total = total.lock().expect("no panic");
                total.compared += tally.compared;
                total.failed.extend(tally.failed);
                for (code, n) in tally.refused {
                    *total.refused.entry(code).or_default() += n;
                }
            });
        }
    });
    total.into_inner().expect("no panic")
}

fn ledger() -> BTreeSet<String> {
    let text =
        std::fs::read_to_string(root().join("tests/artwork/ledger.txt")).expect("the ledger");
    text.lines()
        .filter(|l| !l.starts_with('#') && !l.trim().is_empty())
        .map(|l| {
            let (path, reason) = l.split_once(' ').expect("a path and a reason");
            assert!(
                reason.trim().len() > 10,
                "the ledger gives a reason for {path}"
            );
            path.to_owned()
        })
        .collect()
}

fn judge(tally: &Tally, expected: &BTreeSet<String>, least_compared: usize) {
    println!(
        "compared {}, refused {:?}, differing {}",
        tally.compared,
        tally.refused,
        tally.failed.len()
    );
    let unexpected: Vec<String> = tally
        .failed
        .iter()
        .filter(|(path, _)| !expected.contains(*path))
        .map(|(path, why)| format!("{path}: {why}"))
        .collect();
    assert!(
        unexpected.is_empty(),
        "{} differ:\n{}",
        unexpected.len(),
        unexpected.join("\n")
    );
    let fixed: Vec<_> = expected
        .iter()
        .filter(|p| !tally.failed.contains_key(*p))
        .collect();
    assert!(
        fixed.is_empty(),
        "these agree now, take them out of the ledger: {fixed:?}"
    );
    assert!(
        tally.compared >= least_compared,
        "only {} were compared",
        tally.compared
    );
}

/// The fixtures and the demo drawings.
fn own(longest_px: u32) {
    for (folder, least) in [("fixtures", 10), ("demo-data", 1)] {
        let folder = root().join(folder);
        let paths = drawings(&folder)
            .into_iter()
            .filter(|p| !p.components().any(|c| c.as_os_str() == "foilwright-out"))
            .collect::<Vec<_>>();
        let tally = compare_all(&folder, &paths, longest_px, false);
        assert!(tally.refused.is_empty(), "{:?}", tally.failed);
        judge(&tally, &BTreeSet::new(), least);
    }
}

fn suite(longest_px: u32) {
    let folder = root().join("../shared/data/svg-suite");
    if !folder.is_dir() {
        println!("skipped: no drawings at ../shared/data/svg-suite");
        return;
    }
    judge(
        &compare_all(&folder, &drawings(&folder), longest_px, false),
        &ledger(),
        250,
    );
}

fn icons(longest_px: u32, every: usize) {
    let folder = root().join(".outside/node_modules");
    if !folder.is_dir() {
        println!("skipped: no icons; tests/outside/install.sh installs them");
        return;
    }
    let mut chosen = Vec::new();
    for set in [
        "@tabler/icons/icons",
        "lucide-static/icons",
        "bootstrap-icons/icons",
        "@mdi/svg/svg",
        "@fortawesome/fontawesome-free/svgs",
    ] {
        chosen.extend(drawings(&folder.join(set)).into_iter().step_by(every));
    }
    judge(
        &compare_all(&folder, &chosen, longest_px, false),
        &BTreeSet::new(),
        300,
    );
}

/// Debian's package `openclipart-svg`: drawings by hundreds of hands.
fn clip_art(longest_px: u32) {
    let folder = root().join(".outside/deb");
    if !folder.is_dir() {
        println!("skipped: no clip art; tests/outside/install.sh says where it comes from");
        return;
    }
    let chosen: Vec<_> = drawings(&folder).into_iter().step_by(8).collect();
    judge(
        &compare_all(&folder, &chosen, longest_px, true),
        &BTreeSet::new(),
        100,
    );
}

/// Pixels along the longer side of a page.
const LONGEST_PX: u32 = 2000;

#[test]
fn fixtures_and_demo_open_what_a_renderer_paints_dark() {
    own(LONGEST_PX);
}

#[test]
fn suite_opens_what_a_renderer_paints_dark() {
    suite(LONGEST_PX);
}

#[test]
fn icons_open_what_a_renderer_paints_dark() {
    icons(LONGEST_PX, 60);
}

#[test]
#[ignore = "slow: 19,000 icons"]
fn slow_all_icons_open_what_a_renderer_paints_dark() {
    icons(LONGEST_PX, 1);
}

#[test]
#[ignore = "slow: thousands of clip art drawings"]
fn slow_clip_art_opens_what_a_renderer_paints_dark() {
    clip_art(LONGEST_PX);
}
