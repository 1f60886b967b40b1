//! Kerf compensation: the boundary of every opening moved inwards by half the kerf, single lines where
//! the opening is no wider than the kerf, inner strokes where the slug would be too small to come free.

use super::lines::{CentreLine, Widths, narrow_parts};
use super::{Contour, CutKind};
use crate::finding::{Checked, Finding};
use crate::recipe::Recipe;
use crate::regions::{self, Bounds, Point, Regions, Shape};
use crate::units::{NM_PER_MM, NM_PER_UM};
use rayon::prelude::*;
use rstar::primitives::GeomWithData;
use rstar::{AABB, RTree};
use std::cell::LazyCell;

/// Clearing strokes overlap by half, so that nothing is left between them.
const CLEAR_STEP: f64 = 0.5;
/// Parts narrower than this fraction of the kerf are left out (and reported).
const SLIVER: f64 = 0.1;
/// Openings no longer than this many kerfs, and no wider than one, are dots.
const DOT: f64 = 1.25;
/// Slugs nowhere wider than so many times the edge error that is accepted, or this fraction of the kerf, come of
/// the drawing's noise (flattening, rounding): a line along the middle misses the edges by half of that.
const NOISE_ERRORS: f64 = 0.9;
const NOISE: f64 = 0.1125;
/// Wider ones end where they are narrower than this part of that: what flattening may do to the width of a lead lies
/// between the two.
const THIN: f64 = 0.8;
/// Thin parts of a slug are left out when they are longer than so many widths; corners sharper than about 5 degrees
/// have such tips.
const LONG: f64 = 10.0;
/// Rounding moves a side by less than this, nanometres.
const HAIR_NM: f64 = 10.0;
/// Slugs shorter than so many half widths of the smallest that does not stick are chips.
const CHIP: f64 = 1.9;
/// Openings handled by one thread at a time; results do not depend on it.
const CHUNK_OPENINGS: usize = 256;

/// An opening with holes and its contours.
type Holed = (usize, std::ops::Range<usize>);

/// All cuts of the openings, in their order. A contour's `parent` encloses it.
pub fn compensate(openings: &Regions, recipe: &Recipe) -> Checked<Vec<Contour>> {
    let kerf = recipe.kerf.width_um * NM_PER_UM;
    let tolerance = (recipe.tolerance_um() * NM_PER_UM / 2.0).max(1.0);
    let (paths, origin) = regions::inset_with_origin(openings, kerf / 2.0, tolerance);
    let shapes: Vec<usize> = (0..openings.len()).collect();
    let parts: Vec<(Checked<Vec<Contour>>, Vec<Holed>)> = shapes
        .par_chunks(CHUNK_OPENINGS)
        .map(|chunk| {
            let mut out = Checked::new(Vec::new(), Vec::new());
            let mut holed = Vec::new();
            let mut next = origin.partition_point(|&o| (o as usize) < chunk[0]);
            for &i in chunk {
                let first = out.value.len();
                let count = origin[next..].iter().take_while(|&&o| o as usize == i);
                let own = next..next + count.count();
                next = own.end;
                let shape = openings.shape(i);
                one_opening(
                    i as u32,
                    shape,
                    &paths,
                    own,
                    [kerf, tolerance],
                    recipe,
                    &mut out,
                );
                if shape.holes().len() > 0 {
                    holed.push((i, first..out.value.len()));
                }
            }
            (out, holed)
        })
        .collect();
    let mut out = Checked::new(Vec::new(), Vec::new());
    let mut holed = Vec::new();
    out.value
        .reserve(parts.iter().map(|p| p.0.value.len()).sum());
    for (mut part, own) in parts {
        let before = out.value.len();
        for contour in &mut part.value {
            contour.parent = contour.parent.map(|p| p + before as u32);
        }
        out.value.append(&mut part.value);
        out.findings.append(&mut part.findings);
        holed.extend(
            own.into_iter()
                .map(|(i, r)| (i, r.start + before..r.end + before)),
        );
    }
    nest(openings, &holed, &mut out.value);
    if out.value.iter().any(|c| c.kind == CutKind::Opening) && kerf > 0.0 {
        out.findings.push(
            Finding::note(
                "corners-rounded",
                format!(
                    "convex corners of openings come out rounded with half the kerf, {} um",
                    crate::units::trim_number(kerf / 2.0 / NM_PER_UM, 2)
                ),
            )
            .hint("a round beam cannot cut them sharper; allow for it where two layers meet"),
        );
    }
    out
}

/// The cuts of one opening; `own` are its shapes of `paths`, the openings moved in by half the kerf.
fn one_opening(
    index: u32,
    shape: Shape<'_>,
    paths: &Regions,
    own: std::ops::Range<usize>,
    [kerf, tolerance]: [f64; 2],
    recipe: &Recipe,
    out: &mut Checked<Vec<Contour>>,
) {
    // A slug that vanishes under erosion by half of min_slug sticks: clear it whole.
    let slug_limit = kerf + recipe.min_slug_um() * NM_PER_UM / 2.0;
    let depth = slug_limit - kerf / 2.0;
    let noise = (NOISE * kerf)
        .min(NOISE_ERRORS * recipe.rules.max_edge_error_um * NM_PER_UM)
        .max(3.0 * tolerance);
    // Convex and blunt: there are neither parts nor slugs too narrow.
    let blunt = own.len() == 1 && shape.holes().len() == 0 && is_blunt(shape.outer(), kerf + noise);
    let clean = if kerf > 0.0 && !blunt && !own.is_empty() {
        without_noise(paths, own.clone(), noise, tolerance)
    } else {
        None
    };
    // What is left out becomes a line.
    let (paths, own, noise) = match &clean {
        Some(clean) => (clean, 0..clean.len(), noise),
        None => (paths, own, 0.0),
    };
    let widths = Widths {
        kerf,
        most: kerf + noise,
        sliver: SLIVER * kerf,
    };
    let accepted = recipe.rules.max_edge_error_um * NM_PER_UM;
    let lost = if kerf > 0.0 && !blunt {
        lost_parts(shape, paths, own.clone(), kerf, tolerance)
    } else {
        Regions::new()
    };
    let crossed = if !lost.is_empty() && !own.is_empty() {
        without_crossings(shape, paths, own.clone(), &widths, [tolerance, accepted])
    } else {
        None
    };
    let (paths, own, lost) = match &crossed {
        Some(left) => {
            let lost = lost_parts(shape, left, 0..left.len(), kerf, tolerance);
            (left, 0..left.len(), lost)
        }
        None => (paths, own, lost),
    };
    for part in own.clone().map(|k| paths.shape(k)) {
        let outer = out.value.len() as u32;
        let small = kerf > 0.0 && vanishes(part, depth, tolerance);
        for (k, ring) in part.rings().enumerate() {
            out.value.push(Contour {
                kind: CutKind::Opening,
                closed: true,
                points: ring.to_vec(),
                opening: Some(index),
                parent: (k > 0).then_some(outer),
                starts: Vec::new(),
            });
        }
        if small {
            clear(index, outer, part, kerf, tolerance, &mut out.value);
        } else if kerf > 0.0 && !blunt {
            // A throat narrower than the kerf parts the slug, and one of the slugs may be too small.
            let half_slug = recipe.min_slug_um() * NM_PER_UM / 2.0;
            for slug in small_slugs(part, kerf, half_slug, tolerance).shapes() {
                let around = regions::outset(&slug.to_regions(), kerf / 2.0, tolerance);
                for lobe in around.shapes() {
                    clear(index, outer, lobe, kerf, tolerance, &mut out.value);
                }
            }
        }
    }
    if !lost.is_empty() {
        let reached = paths_of(paths, own);
        single_lines(index, shape, &lost, &reached, &widths, out);
    }
}

/// Of a path round more than one slug, the slugs that vanish under erosion by `half_slug`, chips aside.
fn small_slugs(part: Shape<'_>, kerf: f64, half_slug: f64, tolerance: f64) -> Regions {
    if part.holes().len() == 0 && regions::is_convex(part.outer()) {
        return Regions::new();
    }
    let slugs = regions::inset(&part.to_regions(), kerf / 2.0, tolerance);
    if slugs.len() < 2 {
        return Regions::new();
    }
    slugs.filter(|s| {
        let b = s.bounds();
        (b.width_nm().max(b.height_nm()) as f64) > CHIP * half_slug
            && vanishes(s, half_slug, tolerance)
    })
}

fn paths_of(paths: &Regions, own: std::ops::Range<usize>) -> Regions {
    let mut out = Regions::new();
    for k in own {
        out.push_shape(paths.shape(k));
    }
    out
}

/// The paths `own` without slugs that are nowhere wider than `noise`, and without the thinnest parts of others: an
/// opening as wide as the kerf would else fall into slugs a few nanometres wide wherever the drawing's noise leaves
/// room, each cut all round. Between the two widths a slug is kept or left out as a whole, so that noise about
/// either of them does not break it up. `None` where there are none.
fn without_noise(
    paths: &Regions,
    own: std::ops::Range<usize>,
    noise: f64,
    tolerance: f64,
) -> Option<Regions> {
    let thin = THIN * noise;
    let all = paths_of(paths, own);
    let core = regions::inset(&all, thin / 2.0, tolerance.min(thin / 8.0))
        .filter(|s| !vanishes(s, (noise - thin) / 2.0, 1.0));
    // Corners lose their tips to this, and get them back.
    let grown = regions::outset(&core, thin / 2.0 + 2.0 * tolerance, tolerance);
    let lost = regions::difference(&all, &grown).filter(|s| {
        let b = s.bounds();
        (b.width_nm().max(b.height_nm()) as f64) > noise * LONG
    });
    let left = if lost.is_empty() {
        None
    } else {
        // A little more, since sides that only nearly coincide would leave a hair of it.
        Some(regions::difference(
            &all,
            &regions::outset(&lost, HAIR_NM, HAIR_NM / 4.0),
        ))
    };
    let kept = (left.as_ref().unwrap_or(&all)).filter(|s| !vanishes(s, noise / 2.0, 1.0));
    (left.is_some() || kept.len() < all.len()).then_some(kept)
}

/// The paths `own` without slugs that the lines through them clear: where leads no wider than the beam cross, meet or
/// bend, the shape is wider than each of them. `None` where there are none.
fn without_crossings(
    shape: Shape<'_>,
    paths: &Regions,
    own: std::ops::Range<usize>,
    widths: &Widths,
    [tolerance, accepted]: [f64; 2],
) -> Option<Regions> {
    let kerf = widths.kerf;
    // Strips as wide as the beam that cross leave slugs no deeper than half of it; a star of them some more.
    let small = |s: Shape<'_>| s.holes().len() == 0 && vanishes(s, kerf, tolerance);
    let all = paths_of(paths, own);
    let mut kept: Vec<bool> = all.shapes().map(|s| !small(s)).collect();
    let walls = LazyCell::new(|| regions::EdgeIndex::new(&shape.to_regions()));
    while kept.contains(&false) {
        let mut left = Regions::new();
        for (s, _) in all.shapes().zip(&kept).filter(|(_, kept)| **kept) {
            left.push_shape(s);
        }
        let lost = lost_parts(shape, &left, 0..left.len(), kerf, tolerance);
        let lines = narrow_parts(shape, &lost, &left, widths).ok()?.lines;
        let slack = accepted / 2.0 + 2.0 * tolerance;
        let mut all_cleared = true;
        for (s, kept) in all.shapes().zip(&mut kept).filter(|(_, kept)| !**kept) {
            if !is_cleared(s, &walls, &lines, [kerf / 2.0, tolerance, slack]) {
                *kept = true;
                all_cleared = false;
            }
        }
        // Lines end at the slugs that stay, and may clear less than they did.
        if all_cleared {
            return Some(left);
        }
    }
    None
}

/// Whether the beam, `radius` being half its width, reaches along the lines all it would along the slug's edge.
fn is_cleared(
    slug: Shape<'_>,
    walls: &regions::EdgeIndex,
    lines: &[CentreLine],
    [radius, tolerance, slack]: [f64; 3],
) -> bool {
    let far = 2.0 * radius;
    let b = slug.bounds();
    let min = [f64::from(b.min.x) - far, f64::from(b.min.y) - far];
    let max = [f64::from(b.max.x) + far, f64::from(b.max.y) + far];
    // The part of a side within the box, as fractions of it.
    let within = |p: [f64; 2], q: [f64; 2]| {
        let (mut from, mut to) = (0.0, 1.0);
        for d in 0..2 {
            let step = q[d] - p[d];
            if step == 0.0 {
                if p[d] < min[d] || p[d] > max[d] {
                    return None;
                }
                continue;
            }
            let (a, b) = ((min[d] - p[d]) / step, (max[d] - p[d]) / step);
            from = f64::max(from, a.min(b));
            to = f64::min(to, a.max(b));
        }
        (from < to).then_some((from, to))
    };
    let ways: Vec<[[f64; 2]; 2]> = (lines.iter())
        .flat_map(|line| {
            let close = line
                .closed
                .then(|| [line.points[line.points.len() - 1], line.points[0]]);
            line.points.windows(2).map(|w| [w[0], w[1]]).chain(close)
        })
        .filter(|w| within(w[0], w[1]).is_some())
        .collect();
    let cleared = |p: [f64; 2]| {
        ways.iter()
            .any(|w| regions::nearest_on_segment(p, w[0], w[1]).1 <= radius + slack)
    };
    let at = |p: &Point| [f64::from(p.x), f64::from(p.y)];
    if !slug.outer().iter().all(|p| cleared(at(p))) {
        return false;
    }
    let edge = regions::EdgeIndex::new(&slug.to_regions());
    let reached =
        |p: [f64; 2]| (edge.nearest(p)).is_some_and(|(_, _, d)| d <= radius + 2.0 * tolerance);
    walls.in_box(min, max).all(|wall| {
        let Some((from, to)) = within(wall.a, wall.b) else {
            return true;
        };
        let side = [0, 1].map(|d| wall.b[d] - wall.a[d]);
        let long = (to - from) * side[0].hypot(side[1]);
        let n = (8.0 * long / radius).ceil().clamp(1.0, 4096.0);
        (0..=n as u32).all(|k| {
            let t = from + (to - from) * f64::from(k) / n;
            let p = [0, 1].map(|d| wall.a[d] + t * side[d]);
            !reached(p) || cleared(p)
        })
    })
}

/// Whether nothing is left of a shape whose edges move in by `depth_nm`.
fn vanishes(shape: Shape<'_>, depth_nm: f64, tolerance: f64) -> bool {
    !surely_survives(shape, depth_nm)
        && regions::inset(&shape.to_regions(), depth_nm, tolerance).is_empty()
}

/// Whether a shape without holes surely holds a disc of radius `depth_nm`: one about its middle, or one
/// that it must hold as large as it is beside its outline (no point is deeper than the inradius, so the area
/// is at most inradius times perimeter).
fn surely_survives(shape: Shape<'_>, depth_nm: f64) -> bool {
    let safe = 1.01 * depth_nm;
    shape.holes().len() == 0
        && (regions::holds_disc(shape.outer(), shape.bounds().middle(), safe)
            || shape.area_nm2() > safe * shape.perimeter_nm())
}

/// Strokes inside the path, each half a kerf further in, until nothing is left; `outer` is the first contour of
/// the part.
fn clear(
    index: u32,
    outer: u32,
    part: Shape<'_>,
    kerf: f64,
    tolerance: f64,
    out: &mut Vec<Contour>,
) {
    let mut depth = CLEAR_STEP * kerf;
    loop {
        let inner = regions::inset(&part.to_regions(), depth, tolerance);
        if inner.is_empty() {
            break;
        }
        for ring in inner.rings() {
            out.push(Contour {
                kind: CutKind::Clear,
                closed: true,
                points: ring.to_vec(),
                opening: Some(index),
                parent: None,
                starts: Vec::new(),
            });
        }
        depth += CLEAR_STEP * kerf;
    }
    enclose(&mut out[outer as usize..], outer);
}

/// Makes the smallest ring round each the parent of it; `first` is the number of the first of these rings, which
/// do not cross. Strokes shrink from an outline and grow from round a hole.
fn enclose(rings: &mut [Contour], first: u32) {
    let sizes: Vec<(f64, Option<Bounds>)> = rings
        .iter()
        .map(|c| {
            let area = regions::ring_area_nm2(&c.points).abs();
            (area, Bounds::of(&c.points))
        })
        .collect();
    let mut by_size: Vec<usize> = (0..rings.len()).collect();
    by_size.sort_by(|&a, &b| sizes[a].0.total_cmp(&sizes[b].0).then(b.cmp(&a)));
    for (k, &i) in by_size.iter().enumerate() {
        let p = rings[i].points[0];
        let around = by_size[k + 1..].iter().find(|&&j| {
            sizes[j].1.is_some_and(|b| {
                (b.min.x..=b.max.x).contains(&p.x) && (b.min.y..=b.max.y).contains(&p.y)
            }) && regions::ring_contains(&rings[j].points, p)
        });
        rings[i].parent = around.map(|&j| first + j as u32);
    }
}

/// The parts of the opening, other than the rounding of corners, that the beam does not reach as it
/// follows `path`.
fn lost_parts(
    shape: Shape<'_>,
    paths: &Regions,
    own: std::ops::Range<usize>,
    kerf: f64,
    tolerance: f64,
) -> Regions {
    if own.is_empty() {
        return shape.to_regions();
    }
    let path = paths_of(paths, own);
    let whole = shape.to_regions();
    let swept = regions::outset(&path, kerf / 2.0 + 2.0 * tolerance, tolerance);
    // A corner of angle t keeps a tip that reaches r / sin(t/2) from the path. What is left is worth a line when
    // it reaches further than the tip of a corner of 60 degrees does.
    let index = regions::EdgeIndex::new(&path);
    let far = |x: f64, y: f64| index.nearest([x, y]).is_none_or(|(_, _, d)| d > kerf);
    regions::difference(&whole, &swept).filter(|s| {
        let b = s.bounds();
        (b.width_nm().max(b.height_nm()) as f64) > kerf / 2.0
            && s.rings().any(|ring| {
                (0..ring.len()).any(|i| {
                    let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
                    let (ax, ay) = (f64::from(a.x), f64::from(a.y));
                    let (bx, by) = (f64::from(b.x), f64::from(b.y));
                    far(ax, ay) || far((ax + bx) / 2.0, (ay + by) / 2.0)
                })
            })
    })
}

/// Whether the ring is convex and nowhere turns by more than 120 degrees within a kerf of its length: then
/// the beam leaves no more of it than the corners of a triangle with equal sides.
fn is_blunt(ring: &[Point], kerf: f64) -> bool {
    let n = ring.len();
    let after = |i: usize| if i + 1 == n { 0 } else { i + 1 };
    let edge = |i: usize| {
        let (a, b) = (ring[i], ring[after(i)]);
        (
            f64::from(b.x) - f64::from(a.x),
            f64::from(b.y) - f64::from(a.y),
        )
    };
    // Whether `v` is turned from `u` to the left, by no more than the corner of a triangle with equal sides.
    let blunt = |u: (f64, f64), v: (f64, f64)| {
        let (cross, dot) = (u.0 * v.1 - u.1 * v.0, u.0 * v.0 + u.1 * v.1);
        let squares = (u.0 * u.0 + u.1 * u.1) * (v.0 * v.0 + v.1 * v.1);
        cross >= 0.0 && (dot >= 0.0 || (cross > 0.0 && dot * dot <= 0.250_001 * squares))
    };
    // A window of edges: all corners between `first` and `last`, `between` of length apart. It has been everywhere
    // once it begins at the first edge again.
    let (mut first, mut from) = (0, edge(0));
    let mut last = 0;
    let mut before = from;
    let (mut between, mut passed) = (0.0, 0);
    for count in 1..=2 * n {
        last = after(last);
        let to = edge(last);
        if !blunt(before, to) {
            return false;
        }
        while between > kerf && passed + 1 < count {
            first = after(first);
            from = edge(first);
            passed += 1;
            between -= (from.0 * from.0 + from.1 * from.1).sqrt();
        }
        if passed >= n {
            break;
        }
        if !blunt(from, to) {
            return false;
        }
        between += (to.0 * to.0 + to.1 * to.1).sqrt();
        before = to;
    }
    true
}

/// Lines along the parts `lost` of the opening; the beam goes round `reached` already.
fn single_lines(
    index: u32,
    shape: Shape<'_>,
    lost: &Regions,
    reached: &Regions,
    widths: &Widths,
    out: &mut Checked<Vec<Contour>>,
) {
    let kerf = widths.kerf;
    let b = shape.bounds();
    let middle = [
        (f64::from(b.min.x) + f64::from(b.max.x)) / 2.0 / NM_PER_MM,
        (f64::from(b.min.y) + f64::from(b.max.y)) / 2.0 / NM_PER_MM,
    ];
    let um = |nm: f64| crate::units::trim_number(nm / NM_PER_UM, 2);
    let whole_opening = out.value.last().is_none_or(|c| c.opening != Some(index));
    let side = b.width_nm().max(b.height_nm()) as f64;
    let mean_width = shape.area_nm2() / side.max(1.0);
    if whole_opening && side <= DOT * kerf {
        // Anywhere as wide as two slivers, or as wide as one on the average.
        if mean_width >= SLIVER * kerf
            || !regions::inset(&shape.to_regions(), SLIVER * kerf, 1.0).is_empty()
        {
            dot(index, b, kerf, out);
        } else {
            sliver_left_out(mean_width, middle, kerf, out);
        }
        return;
    }
    let narrow = match narrow_parts(shape, lost, reached, widths) {
        Ok(narrow) => narrow,
        Err(e) => {
            out.findings.push(
                Finding::blocking(
                    "narrow-part-not-cut",
                    format!("a part no wider than the kerf could not be turned into a line: {e}"),
                )
                .at(middle[0], middle[1])
                .hint("widen it beyond the kerf, or redraw it as a stroke"),
            );
            return;
        }
    };
    if whole_opening && narrow.lines.is_empty() && narrow.slivers.is_empty() {
        if mean_width >= SLIVER * kerf {
            // Every way through it runs into a corner.
            dot(index, b, kerf, out);
        } else {
            sliver_left_out(mean_width, middle, kerf, out);
        }
        return;
    }
    for sliver in &narrow.slivers {
        let at = crate::polyline::middle(&sliver.points).unwrap_or_default();
        sliver_left_out(
            sliver.max_width,
            [at[0] / NM_PER_MM, at[1] / NM_PER_MM],
            kerf,
            out,
        );
    }
    for line in narrow.lines {
        let at = crate::polyline::middle(&line.points).unwrap_or_default();
        let (x, y) = (at[0] / NM_PER_MM, at[1] / NM_PER_MM);
        let message = format!(
            "drawn {} um wide, {} wider than the kerf: cut as a single line that comes out about {} um wide",
            um(line.min_width),
            if line.min_width > kerf {
                "hardly"
            } else {
                "no"
            },
            um(kerf)
        );
        let finding = if kerf > 2.0 * line.min_width {
            Finding::warning("line-much-wider", message)
                .hint("the cut comes out more than twice as wide as drawn: draw it wider, or narrow the kerf")
        } else {
            Finding::note("single-line", message)
        };
        out.findings.push(
            finding
                .at(x, y)
                .measured(line.min_width / NM_PER_UM, kerf / NM_PER_UM),
        );
        out.value
            .push(line_contour(index, &line.points, line.closed));
    }
}

/// A touch of the beam in the middle of an opening that is hardly wider than the kerf either way.
fn dot(index: u32, b: Bounds, kerf: f64, out: &mut Checked<Vec<Contour>>) {
    let um = |nm: f64| crate::units::trim_number(nm / NM_PER_UM, 2);
    let (x, y) = (
        (f64::from(b.min.x) + f64::from(b.max.x)) / 2.0,
        (f64::from(b.min.y) + f64::from(b.max.y)) / 2.0,
    );
    out.findings.push(
        Finding::warning(
            "dot-cut",
            format!(
                "an opening of {} x {} um is no wider than the kerf of {} um and is cut as a dot about {2} um wide",
                um(b.width_nm() as f64),
                um(b.height_nm() as f64),
                um(kerf)
            ),
        )
        .at(x / NM_PER_MM, y / NM_PER_MM)
        .hint("draw it wider than the kerf, or remove it"),
    );
    out.value.push(line_contour(
        index,
        &[[x - 500.0, y], [x + 500.0, y]],
        false,
    ));
}

fn sliver_left_out(width: f64, at_mm: [f64; 2], kerf: f64, out: &mut Checked<Vec<Contour>>) {
    let um = |nm: f64| crate::units::trim_number(nm / NM_PER_UM, 2);
    out.findings.push(
        Finding::warning(
            "sliver-left-out",
            format!(
                "a sliver {} um wide is left out: it is under a tenth of the kerf of {} um",
                um(width),
                um(kerf)
            ),
        )
        .at(at_mm[0], at_mm[1])
        .measured(width / NM_PER_UM, SLIVER * kerf / NM_PER_UM)
        .hint("remove the sliver, or draw it as wide as it should be"),
    );
}

fn line_contour(index: u32, points: &[[f64; 2]], closed: bool) -> Contour {
    let mut snapped: Vec<Point> = points
        .iter()
        .map(|p| Point::new(p[0].round() as i32, p[1].round() as i32))
        .collect();
    snapped.dedup();
    Contour {
        kind: CutKind::Line,
        closed: closed && snapped.len() > 2,
        points: snapped,
        opening: Some(index),
        parent: None,
        starts: Vec::new(),
    }
}

/// Openings that lie in the hole of another one are cut before that hole's own contour frees them.
fn nest(openings: &Regions, holed: &[Holed], contours: &mut [Contour]) {
    if holed.is_empty() {
        return;
    }
    let free: Vec<GeomWithData<[i64; 2], usize>> = contours
        .iter()
        .enumerate()
        .filter(|(_, c)| c.parent.is_none())
        .filter_map(|(i, c)| {
            let p = c.points.first()?;
            Some(GeomWithData::new([i64::from(p.x), i64::from(p.y)], i))
        })
        .collect();
    let free = RTree::bulk_load(free);
    for (i, range) in holed {
        let frame = openings.shape(*i).bounds();
        let corner = |p: Point| [i64::from(p.x), i64::from(p.y)];
        let frame = AABB::from_corners(corner(frame.min), corner(frame.max));
        let holes: Vec<usize> = range
            .clone()
            .filter(|&c| {
                contours[c].closed
                    && contours[c].parent.is_some()
                    && contours[c].kind == CutKind::Opening
            })
            .collect();
        for place in free.locate_in_envelope(&frame) {
            let c = place.data;
            let Contour { kind, points, .. } = &contours[c];
            // Of its own cuts only lines, in a notch of the foil inside, lie within one of its holes.
            let own = range.contains(&c);
            if contours[c].parent.is_some() || own && *kind != CutKind::Line {
                continue;
            }
            let last = points.len() - 1;
            // A line may end in the way round the hole.
            let some = if own {
                vec![0, last / 2, last]
            } else {
                vec![0]
            };
            let hole = holes.iter().find(|&&h| {
                let within = |&&k: &&usize| regions::ring_contains(&contours[h].points, points[k]);
                2 * some.iter().filter(within).count() > some.len()
            });
            if let Some(&hole) = hole {
                contours[c].parent = Some(hole as u32);
            }
        }
    }
}
