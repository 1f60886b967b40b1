//! Complementary stencils: fewest seams, exact union, no island in any of them.

use super::{RING, codes, layer, recipe, run, seen_loose, sheet};
use foilwright::artwork::{Layer, TieLine};
use foilwright::finding::Checked;
use foilwright::regions::{Bounds, EdgeIndex, Point, Regions, intersection, union};
use foilwright::stencil::{IslandMode, Stencil, hold_together, loose_pieces};
use std::collections::BTreeSet;

/// Fewest seams by trying them all. Pieces of foil are vertices, places where a seam could join two of them are
/// edges, each used up to twice. Cutting at a set of seams leaves only simple pieces when the seams join all the
/// foil (else some opening goes round a piece of it); two stencils can share the pieces when an even number of
/// seams meets at each piece of foil (faces of such a map take two colours).
fn fewest_by_brute_force(pieces: usize, places: &[[usize; 2]]) -> usize {
    let mut best = usize::MAX;
    let mut used = vec![0usize; places.len()];
    loop {
        let count: usize = used.iter().sum();
        if count < best {
            let mut degree = vec![0; pieces];
            let mut group: Vec<usize> = (0..pieces).collect();
            for (&n, &[a, b]) in used.iter().zip(places) {
                degree[a] += n;
                degree[b] += n;
                if n > 0 {
                    let (from, to) = (group[a], group[b]);
                    group
                        .iter_mut()
                        .filter(|g| **g == from)
                        .for_each(|g| *g = to);
                }
            }
            if degree.iter().all(|d| d % 2 == 0) && group.iter().all(|&g| g == group[0]) {
                best = count;
            }
        }
        let Some(i) = used.iter().position(|&n| n < 2) else {
            return best;
        };
        used[..i].fill(0);
        used[i] += 1;
    }
}

/// Foil around and between `across` level and `up` upright slots that cross: the frame is piece 0.
fn lattice_places(up: usize, across: usize) -> (usize, Vec<[usize; 2]>) {
    let (w, h) = (up - 1, across - 1);
    let piece = |x: usize, y: usize| {
        if (1..=w).contains(&x) && (1..=h).contains(&y) {
            (y - 1) * w + x
        } else {
            0
        }
    };
    let mut places = Vec::new();
    for y in 1..=h {
        for x in 0..=w {
            places.push([piece(x, y), piece(x + 1, y)]);
        }
    }
    for x in 1..=w {
        for y in 0..=h {
            places.push([piece(x, y), piece(x, y + 1)]);
        }
    }
    (w * h + 1, places)
}

fn lattice(up: usize, across: usize, turn: f64) -> String {
    let mut body = format!(r#"<g transform="rotate({turn} 5 5)">"#);
    for k in 0..up {
        body.push_str(&format!(
            r#"<path d="M{} 1.5h0.3v7h-0.3z"/>"#,
            2.0 + 1.7 * k as f64
        ));
    }
    for k in 0..across {
        body.push_str(&format!(
            r#"<path d="M1.5 {}h7v0.3h-7z"/>"#,
            2.0 + 1.7 * k as f64
        ));
    }
    body + "</g>"
}

fn seams(out: &[Stencil]) -> usize {
    out[0].split.as_ref().map_or(0, |s| s.seams)
}

/// Everything that must hold for a split layer, whatever was drawn.
fn holds(name: &str, l: &Layer, out: &Checked<Vec<Stencil>>) {
    assert!(
        codes(&out.findings, "split-tied").is_empty(),
        "{name} {:?}",
        out.findings
    );
    assert_eq!(codes(&out.findings, "split").len(), 1, "{name}");
    let mut all = Regions::new();
    for s in &out.value {
        assert_eq!(seen_loose(&s.openings), 0, "{name} {}", s.name);
        assert_eq!(
            loose_pieces(&s.sheet, &s.openings, &recipe()),
            0,
            "{name} {}",
            s.name
        );
        assert!(s.tie_bars.is_empty());
        all = union(&all, &s.openings);
        let proof = s.split.as_ref().unwrap();
        assert_eq!(proof.difference_um2, 0.0, "{name}");
        // A seam ends at four places on chords of up to sqrt(8 r e) = 57 um (r 4 mm, e 0.1 um); rounding moves each by up
        // to 0.71 nm off its chord, which turns 57 um x 0.71 nm / 2 of it.
        assert!(
            proof.grid_um2 < 4.0 * 0.0202 * proof.seams as f64,
            "{name} {proof:?}"
        );
    }
    // Slanted edges may turn by less than a grid step where a seam ends on them: vertex for vertex on the drawing,
    // and the same area.
    let edges = EdgeIndex::new(&l.openings);
    for p in all.points() {
        let d = edges.nearest([f64::from(p.x), f64::from(p.y)]).unwrap().2;
        assert!(d < 1.0, "{name}: {p:?} is {d} nm off the drawing");
    }
    let off = (all.area_nm2() - l.openings.area_nm2()).abs() / 1e6;
    assert!(
        off < 0.02 * seams(&out.value) as f64 + 1e-9,
        "{name}: {off} um2"
    );
}

#[test]
fn seams_are_as_few_as_brute_force_finds() {
    let nested = r#"<circle cx="5" cy="5" r="4.5"/><circle cx="5" cy="5" r="3.5" fill="white"/><circle cx="5" cy="5" r="2.5"/><circle cx="5" cy="5" r="1.5" fill="white"/>"#;
    let eight = r#"<path fill-rule="evenodd" d="M2 4a3 3 0 1 1 6 0v2a3 3 0 1 1 -6 0z M3.5 2.5h3v2h-3z M3.5 5.5h3v2h-3z"/>"#;
    let ring = fewest_by_brute_force(2, &[[0, 1]]);
    let theta = fewest_by_brute_force(3, &[[0, 1], [1, 2], [2, 0]]);
    assert_eq!((ring, theta), (2, 3));
    let mut cases = vec![
        ("ring".to_owned(), RING.to_owned(), ring, 1),
        ("nested ring".to_owned(), nested.to_owned(), 2 * ring, 2),
        ("figure eight".to_owned(), eight.to_owned(), theta, 2),
    ];
    for (up, across) in [(2, 2), (3, 2), (2, 4), (3, 3)] {
        let (pieces, places) = lattice_places(up, across);
        let best = fewest_by_brute_force(pieces, &places);
        for turn in [0.0, 12.0] {
            cases.push((
                format!("{up} x {across} lattice turned by {turn}"),
                lattice(up, across, turn),
                best,
                pieces - 1,
            ));
        }
    }
    for (name, body, best, islands) in cases {
        let l = layer(&body);
        assert_eq!(seen_loose(&l.openings), islands, "{name}");
        let out = run(&l, IslandMode::Split);
        assert_eq!(out.value.len(), 2, "{name} {:?}", out.findings);
        assert_eq!(seams(&out.value), best, "{name}");
        assert!(out.value[0].split.as_ref().unwrap().fewest, "{name}");
        holds(&name, &l, &out);
    }
}

#[test]
fn seams_of_a_ring_lie_opposite_and_overlap_as_set() {
    let l = layer(RING);
    let two = run(&l, IslandMode::Split).value;
    assert_eq!((two[0].name.as_str(), two[1].name.as_str()), ("l-a", "l-b"));
    // Two seams, each overlapping by 2 x (8 + 10 x 50 / 70) = 30.2857 um over 1 mm.
    let both = intersection(&two[0].openings, &two[1].openings).area_nm2() / 1e6;
    let expected = 2.0 * 30.285714 * 1000.0;
    assert!(both >= expected && both < 1.1 * expected, "{both}");
    // The halves are alike: opposite seams.
    let (a, b) = (two[0].openings.area_nm2(), two[1].openings.area_nm2());
    assert!((a - b).abs() < 0.02 * a, "{a} {b}");
    for overlap in [0.0, 5.0, 120.0] {
        let mut r = recipe();
        r.film.stitch_overlap_um = Some(overlap);
        let out = hold_together(&l, &sheet(10.0, 10.0), &r, IslandMode::Split);
        holds(&format!("overlap {overlap}"), &l, &out);
        let both = intersection(&out.value[0].openings, &out.value[1].openings).area_nm2() / 1e6;
        // No less than 0.4 um: the stencils have to meet.
        let expected = 2000.0 * overlap.max(0.4);
        assert!(
            both >= expected && both < 1.1 * expected,
            "{overlap}: {both}"
        );
    }
}

#[test]
fn seams_keep_off_corners_and_regions_kept_clear() {
    // A square frame: seams in the middle of its sides, not in the corners.
    let l = layer(r#"<path fill-rule="evenodd" d="M2 2h6v6h-6zM3 3h4v4h-4z"/>"#);
    let out = run(&l, IslandMode::Split);
    holds("square", &l, &out);
    for s in &out.value[0].seams {
        for p in [s.from, s.to] {
            for c in [2_000_000, 3_000_000, 7_000_000, 8_000_000] {
                for d in [2_000_000, 3_000_000, 7_000_000, 8_000_000] {
                    let far = f64::from(p.x - c).hypot(f64::from(p.y - d));
                    assert!(far > 100e3, "{s:?}");
                }
            }
        }
    }
    let mut l = layer(RING);
    l.keep_clear = Bounds {
        min: Point::new(0, 4_000_000),
        max: Point::new(10_000_000, 6_000_000),
    }
    .to_regions();
    let out = run(&l, IslandMode::Split);
    holds("kept clear", &l, &out);
    for s in &out.value[0].seams {
        assert!(!(3_980_000..6_020_000).contains(&s.from.y), "{s:?}");
    }
}

fn hand(id: &str, from: [f64; 2], to: [f64; 2]) -> TieLine {
    let p = |q: [f64; 2]| Point::new((q[0] * 1e6) as i32, (q[1] * 1e6) as i32);
    TieLine {
        id: id.into(),
        from: p(from),
        to: p(to),
        width_um: None,
    }
}

#[test]
fn three_seams_by_hand_on_a_ring_need_three_stencils() {
    // Three pieces that all meet are an odd cycle of the conflict graph: no two stencils can share them.
    let mut l = layer(RING);
    let at = |deg: f64, r: f64| {
        [
            5.0 + r * deg.to_radians().cos(),
            5.0 + r * deg.to_radians().sin(),
        ]
    };
    l.tie_lines = [0.0, 120.0, 240.0]
        .iter()
        .map(|&d| hand(&format!("at{d}"), at(d, 1.95), at(d, 3.05)))
        .collect();
    // A fourth seam makes the cycle even.
    let out = run(&l, IslandMode::Split);
    assert_eq!((out.value.len(), seams(&out.value)), (2, 4));
    holds("three by hand and one more", &l, &out);
    // Without room for it a third stencil is needed.
    l.keep_clear = sheet(10.0, 10.0);
    let out = run(&l, IslandMode::Split);
    assert_eq!(out.value.len(), 3, "{:?}", out.findings);
    assert_eq!(seams(&out.value), 3);
    holds("three by hand", &l, &out);
    let names: BTreeSet<_> = out
        .value
        .iter()
        .flat_map(|s| &s.seams)
        .map(|s| &s.reason)
        .collect();
    assert_eq!(names.len(), 3, "{names:?}");
    // One by hand: a second one is added, two stencils do.
    l.tie_lines.truncate(1);
    l.keep_clear = Regions::new();
    let out = run(&l, IslandMode::Split);
    assert_eq!((out.value.len(), seams(&out.value)), (2, 2));
    holds("one by hand", &l, &out);
    assert!(
        out.value[0]
            .seams
            .iter()
            .any(|s| s.reason.contains("`at0`"))
    );
}

#[test]
fn marks_in_common_are_on_every_stencil() {
    let mark = Bounds {
        min: Point::new(500_000, 500_000),
        max: Point::new(1_000_000, 700_000),
    }
    .to_regions();
    let mut l = layer(RING);
    let without = run(&l, IslandMode::Split);
    assert_eq!(codes(&without.findings, "split-unregistered").len(), 1);
    l.openings = union(&l.openings, &mark);
    l.common = mark.clone();
    let out = run(&l, IslandMode::Split);
    assert!(codes(&out.findings, "split-unregistered").is_empty());
    for s in &out.value {
        assert_eq!(intersection(&s.openings, &mark).area_nm2(), mark.area_nm2());
    }
    holds("marks", &l, &out);
}

#[test]
fn what_has_no_island_is_not_split() {
    let l = layer(r#"<circle cx="5" cy="5" r="3"/>"#);
    let out = run(&l, IslandMode::Split);
    assert_eq!(out.value.len(), 1);
    assert_eq!(out.value[0].openings, l.openings);
    assert!(out.findings.is_empty(), "{:?}", out.findings);
}
