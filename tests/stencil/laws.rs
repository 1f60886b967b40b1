//! Laws that hold for whatever is drawn: random nested shapes, tied and split.

use super::{codes, layer, recipe, run, seen_loose};
use foilwright::artwork::Layer;
use foilwright::finding::Severity;
use foilwright::regions::{FillRule, Point, Regions, normalise, union_all};
use foilwright::stencil::{IslandMode, Stencil, TieBar, loose_pieces};
use proptest::prelude::*;

/// A ring of a random blob: corners at random distances from its centre.
fn blob(x: f64, y: f64, r: f64, shape: &[u8], turn: f64) -> Vec<Point> {
    let n = shape.len();
    (0..n)
        .map(|k| {
            let a = turn + std::f64::consts::TAU * k as f64 / n as f64;
            let r = r * (0.75 + f64::from(shape[k]) / 255.0 * 0.25);
            Point::new(
                ((x + r * a.cos()) * 1e6) as i32,
                ((y + r * a.sin()) * 1e6) as i32,
            )
        })
        .collect()
}

/// Openings in openings: each a blob with a blob of foil in it, in which smaller ones lie, and so on.
#[derive(Debug, Clone)]
struct Nest {
    shape: Vec<u8>,
    turn: f64,
    width: f64,
    inside: Vec<Nest>,
}

fn nest() -> impl Strategy<Value = Nest> {
    let leaf = (
        proptest::collection::vec(any::<u8>(), 3..24),
        0.0..6.0f64,
        0.2..0.5f64,
    )
        .prop_map(|(shape, turn, width)| Nest {
            shape,
            turn,
            width,
            inside: Vec::new(),
        });
    leaf.prop_recursive(3, 12, 4, |inner| {
        (
            proptest::collection::vec(any::<u8>(), 8..40),
            0.0..6.0f64,
            0.15..0.4f64,
            proptest::collection::vec(inner, 0..4),
        )
            .prop_map(|(shape, turn, width, inside)| Nest {
                shape,
                turn,
                width,
                inside,
            })
    })
}

/// Draws the nest in the disc about (x, y): an opening round an island, and what lies on the island.
fn draw(n: &Nest, x: f64, y: f64, r: f64, out: &mut Vec<Vec<Point>>) {
    out.push(blob(x, y, r, &n.shape, n.turn));
    let inner = r * (1.0 - n.width) * 0.72;
    if inner < 0.12 {
        return;
    }
    out.push(blob(x, y, inner, &n.shape, n.turn + 0.1));
    let room = inner * 0.6;
    match n.inside.len() {
        0 => {}
        1 => draw(&n.inside[0], x, y, room, out),
        many => {
            for (k, child) in n.inside.iter().enumerate() {
                let a = n.turn + std::f64::consts::TAU * k as f64 / many as f64;
                let child_r = room * 0.42;
                if child_r > 0.15 {
                    draw(
                        child,
                        x + room * 0.55 * a.cos(),
                        y + room * 0.55 * a.sin(),
                        child_r,
                        out,
                    );
                }
            }
        }
    }
}

fn drawn(n: &Nest) -> Layer {
    let mut rings = Vec::new();
    draw(n, 5.0, 5.0, 4.5, &mut rings);
    let mut l = layer(r#"<circle cx="5" cy="5" r="3"/>"#);
    l.elements.clear();
    l.openings = normalise(&rings, FillRule::EvenOdd);
    l
}

/// The drawing turned by a quarter, which the grid takes exactly.
fn turned(l: &Layer) -> Layer {
    let mut out = l.clone();
    let mut rings: Vec<Vec<Point>> = Vec::new();
    for ring in l.openings.rings() {
        rings.push(
            ring.iter()
                .map(|p| Point::new(10_000_000 - p.y, p.x))
                .collect(),
        );
    }
    out.openings = normalise(&rings, FillRule::EvenOdd);
    out
}

fn holds_well(s: &Stencil) -> Result<(), TestCaseError> {
    prop_assert_eq!(loose_pieces(&s.sheet, &s.openings, &recipe()), 0);
    prop_assert_eq!(seen_loose(&s.openings), 0);
    let mut owned = vec![0; s.tie_bars.len()];
    for island in s.islands.iter().filter(|i| !i.speck) {
        let most = recipe().tie_bars.max_per_island as usize;
        prop_assert!((1..=most).contains(&island.bars.len()), "{:?}", island);
        island.bars.iter().for_each(|&b| owned[b] += 1);
    }
    // Every bar is there for one island.
    prop_assert!(owned.iter().all(|&n| n == 1), "{:?}", owned);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn random_nests_hold_together(n in nest()) {
        let l = drawn(&n);
        let out = run(&l, IslandMode::Tie);
        prop_assert!(out.findings.iter().all(|f| f.severity != Severity::Blocking), "{:?}", out.findings);
        let s = &out.value[0];
        holds_well(s)?;
        if s.islands.is_empty() {
            prop_assert!(s.tie_bars.is_empty() && s.openings == s.drawn);
        }
        // Bars take no more than their rectangles, and only from the drawing.
        let strips: f64 = s.tie_bars.iter().map(|b| length_um(b) * b.width_um).sum();
        let taken = (s.drawn.area_nm2() - s.openings.area_nm2()) / 1e6;
        let ends: f64 = s.tie_bars.iter().map(|b| b.width_um * b.width_um).sum();
        prop_assert!(taken <= strips + 2.0 * ends + 1.0, "{} {}", taken, strips);
        // Turned by a quarter it takes as many.
        let again = run(&turned(&l), IslandMode::Tie);
        prop_assert_eq!(again.value[0].islands.len(), s.islands.len());
        holds_well(&again.value[0])?;
    }

    #[test]
    fn random_nests_split_without_loss(n in nest()) {
        let l = drawn(&n);
        let islands = run(&l, IslandMode::Refuse).value[0].islands.iter().filter(|i| !i.speck).count();
        let out = run(&l, IslandMode::Split);
        prop_assert!(codes(&out.findings, "split-tied").is_empty(), "{:?}", out.findings);
        prop_assert!(codes(&out.findings, "split-no-room").is_empty(), "{:?}", out.findings);
        for s in &out.value {
            prop_assert_eq!(seen_loose(&s.openings), 0);
            prop_assert_eq!(loose_pieces(&s.sheet, &s.openings, &recipe()), 0);
        }
        if islands == 0 {
            prop_assert_eq!(out.value.len(), 1);
        } else {
            let proof = out.value[0].split.as_ref().unwrap();
            prop_assert_eq!(proof.difference_um2, 0.0);
            // An annulus takes two seams; with several islands in one opening they share them.
            prop_assert!(proof.seams > islands && proof.seams <= 2 * islands, "{:?}", proof);
            let all: Regions = union_all(out.value.iter().map(|s| &s.openings));
            let off = (all.area_nm2() - l.openings.area_nm2()).abs() / 1e6;
            // A seam's end on a slanted edge is put on the 1 nm grid, at most 0.71 nm beside the edge: that moves
            // half the edge's length times it, at four ends a seam.
            let most = 0.71e-3 * longest_edge_um(&l.openings) / 2.0 * 4.0 * proof.seams as f64;
            prop_assert!(off < most + 1e-3, "{} of {}", off, most);
        }
    }
}

fn longest_edge_um(openings: &Regions) -> f64 {
    let ring = |r: &[Point]| {
        (0..r.len())
            .map(|i| {
                let (a, b) = (r[i], r[(i + 1) % r.len()]);
                (f64::from(a.x) - f64::from(b.x)).hypot(f64::from(a.y) - f64::from(b.y))
            })
            .fold(0.0, f64::max)
    };
    openings.rings().map(ring).fold(0.0, f64::max) / 1e3
}

fn length_um(b: &TieBar) -> f64 {
    f64::from(b.from.x - b.to.x).hypot(f64::from(b.from.y - b.to.y)) / 1e3
}

/// Whether the bars, mirrored about the page's upright middle line, are the bars again.
fn mirrored(s: &Stencil) -> bool {
    let middle = |b: &TieBar, mirror: bool| {
        let x = f64::from(b.from.x + b.to.x) / 2e6;
        [
            if mirror { 10.0 - x } else { x },
            f64::from(b.from.y + b.to.y) / 2e6,
        ]
    };
    s.tie_bars.iter().all(|b| {
        let m = middle(b, true);
        s.tie_bars.iter().any(|o| {
            let p = middle(o, false);
            (p[0] - m[0]).hypot(p[1] - m[1]) < 0.06
        })
    })
}

#[test]
fn symmetric_drawings_get_symmetric_bars() {
    for (name, body) in [
        (
            "ring",
            r#"<path fill-rule="evenodd" d="M2 5a3 3 0 1 0 6 0a3 3 0 1 0 -6 0zM3 5a2 2 0 1 0 4 0a2 2 0 1 0 -4 0z"/>"#,
        ),
        (
            "square",
            r#"<path fill-rule="evenodd" d="M2 2h6v6h-6zM3 3h4v4h-4z"/>"#,
        ),
        (
            "oblong",
            r#"<path fill-rule="evenodd" d="M1 3h8v4h-8zM2 4h6v2h-6z"/>"#,
        ),
        (
            "upright oblong",
            r#"<path fill-rule="evenodd" d="M3 1h4v8h-4zM4 2h2v6h-2z"/>"#,
        ),
        (
            "triangle",
            r#"<path fill-rule="evenodd" d="M5 1L9 8H1zM5 3.4L7 7H3z"/>"#,
        ),
        (
            "two holes",
            r#"<path fill-rule="evenodd" d="M1 3h8v4h-8zM2 4h2v2h-2zM6 4h2v2h-2z"/>"#,
        ),
    ] {
        let s = run(&layer(body), IslandMode::Tie).value.remove(0);
        let bars: Vec<_> = s.tie_bars.iter().map(|b| (b.from, b.to)).collect();
        assert!(mirrored(&s), "{name}: {bars:?}");
    }
}

#[test]
fn bars_use_webs_that_are_too_narrow_to_hold() {
    // Two half rings with hairs of foil of 12 um between them: bars there part no film.
    let body = r#"<path d="M5.006 2a3 3 0 0 1 0 6v-1a2 2 0 0 0 0 -4z M4.994 2a3 3 0 0 0 0 6v-1a2 2 0 0 1 0 -4z"/>"#;
    let out = run(&layer(body), IslandMode::Tie);
    let s = &out.value[0];
    assert_eq!(s.islands.len(), 1);
    assert_eq!(s.tie_bars.len(), 2);
    assert!(
        codes(&out.findings, "film-parted").is_empty(),
        "{:?}",
        out.findings
    );
    for b in &s.tie_bars {
        assert!((b.from.x + b.to.x - 10_000_000).abs() < 20_000, "{b:?}");
    }
}
