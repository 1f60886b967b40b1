//! The foil that is left after the cut, and the pieces of it that webs wide enough hold together.

use super::geometry::{V, inner_point, sub, v};
use super::whole;
use crate::recipe::Recipe;
use crate::regions::clip::{by_windows, clipped};
use crate::regions::packed::{Ends, Packed};
use crate::regions::{
    Bounds, FillRule, Point, Regions, Shape, difference, distance_nm, inset, inset_with_origin,
    intersection, is_convex, normalise, outset, ring_area_nm2, union,
};
use crate::units::NM_PER_UM;
use rayon::prelude::*;
use std::borrow::Cow;

/// Smallest core that counts as foil to be held, square nanometres (one square micrometre).
const MIN_CORE_NM2: f64 = 1e6;

/// Foil eroded by half the minimum web: what is connected here is held, whatever is left out is hair.
#[derive(Debug)]
pub struct Foil {
    /// One shape per piece.
    pub cores: Regions,
    /// Area of the whole piece around each core, square nanometres.
    pub areas_nm2: Vec<f64>,
    /// The piece that touches the sheet's edge and all others must be held to.
    pub frame: Option<usize>,
    /// Other pieces that reach the sheet's edge, in ascending order: the cuts divide the sheet.
    pub parted: Vec<usize>,
    /// Pieces too thin to hold anywhere: where, and how large (square nanometres).
    pub specks: Vec<(Point, f64)>,
    /// Points in the webs too narrow to hold that lead from one piece to another.
    pub hairs: Vec<Point>,
    /// More pieces than [`MOST_HAIRS`] hang together by such webs, which were not looked for there.
    pub crowded: bool,
    /// How many separate pieces there are, where that is more than [`most_pieces`] and no core was looked for.
    pub unseen: Option<usize>,
}

/// Most webs too narrow to hold that parts of foil may hang on: where there are more the drawing is at fault as a whole,
/// and bars mend it nowhere.
pub const MOST_HAIRS: usize = 6000;

/// Separate pieces of foil, islands and specks, beyond which none is looked at.
pub fn most_pieces(recipe: &Recipe) -> usize {
    10 * recipe.rules.max_islands as usize
}

/// Width at which a web begins to hold, nanometres: the limit less the tolerance of flattening twice
/// and of the grid, so that a web exactly at the limit holds.
pub fn web_nm(recipe: &Recipe) -> f64 {
    (recipe.min_web_um() - 0.2).max(0.1) * NM_PER_UM
}

/// Narrowest part that is cut, in kerfs: of a slit, and of the tip of an opening.
const SLIVER: f64 = 0.1;
const TIP_WIDTH: f64 = 0.5;

/// What the beam really opens: the openings, with parts narrower than the kerf as wide as the kerf
/// (they become single lines), except slivers and the ends of tips that are left out.
pub fn as_cut<'a>(openings: &'a Regions, recipe: &Recipe) -> Cow<'a, Regions> {
    let kerf_nm = recipe.kerf.width_um * NM_PER_UM;
    if kerf_nm < 2.0 {
        return Cow::Borrowed(openings);
    }
    let half = kerf_nm / 2.0;
    let tolerance = recipe.tolerance_um() * NM_PER_UM;
    // What the beam cannot reach from inside; corner roundings are far smaller than a kerf square.
    let matters = 0.5 * kerf_nm * kerf_nm;
    let doubtful: Vec<usize> = (0..openings.len())
        .into_par_iter()
        .with_min_len(512)
        .filter(|&i| !is_reached(openings.shape(i), half, matters))
        .collect();
    if doubtful.is_empty() {
        return Cow::Borrowed(openings);
    }
    let mut narrow = Regions::new();
    for &i in &doubtful {
        narrow.push_shape(openings.shape(i));
    }
    let (paths, origin) = inset_with_origin(&narrow, half, tolerance);
    let thin_parts: Vec<(Regions, Regions)> = (0..narrow.len())
        .into_par_iter()
        .with_min_len(64)
        .filter_map(|i| {
            let shape = narrow.shape(i);
            let own = origin.partition_point(|&o| (o as usize) < i)
                ..origin.partition_point(|&o| o as usize <= i);
            if own.len() == 1 && loss_nm2(shape, paths.shape(own.start), half) <= matters {
                return None;
            }
            let mut path = Regions::new();
            for k in own {
                path.push_shape(paths.shape(k));
            }
            let swept = outset(&path, half, tolerance);
            let thin = difference(&shape.to_regions(), &swept).filter(|s| s.area_nm2() > matters);
            let parts: Vec<Regions> = thin.shapes().map(|part| part.to_regions()).collect();
            let about: Vec<Regions> = (parts.iter())
                .map(|part| outset(part, 4.0 * tolerance, tolerance))
                .collect();
            let tips = all_in_one_piece(&about, &swept);
            let mut lines = Regions::new();
            for (part, tip) in parts.iter().zip(tips) {
                let tip = tip && !swept.is_empty();
                let least = if tip { TIP_WIDTH } else { SLIVER };
                lines.extend(&inset(part, least * half, tolerance));
            }
            (!thin.is_empty()).then_some((thin, lines))
        })
        .collect();
    if thin_parts.is_empty() {
        return Cow::Borrowed(openings);
    }
    let (mut thin, mut lines) = (Regions::new(), Regions::new());
    for (part, own) in &thin_parts {
        thin.extend(part);
        lines.extend(own);
    }
    Cow::Owned(union(
        &difference(openings, &thin),
        &outset(&lines, half, tolerance),
    ))
}

/// Vertices that as many booleans may go over for nothing.
const MOST_LOOKS: usize = 1_000_000;
/// What is clipped for a part reaches so far beyond it that the part itself does not notice.
const CLIP_NM: i32 = 1000;

/// For each part whether what it has in common with `whole` is one piece at most. For many parts of a large whole only
/// what is near each is looked at.
fn all_in_one_piece(parts: &[Regions], whole: &Regions) -> Vec<bool> {
    if parts.len() * whole.vertex_count() <= MOST_LOOKS {
        let one = |part| intersection(part, whole).len() <= 1;
        return parts.iter().map(one).collect();
    }
    let mut out = vec![true; parts.len()];
    let (there, windows): (Vec<usize>, Vec<Bounds>) = (parts.iter().enumerate())
        .filter_map(|(i, part)| Some((i, part.bounds()?.grown(CLIP_NM))))
        .unzip();
    let found = by_windows(&windows, [whole], |k, [near]| {
        intersection(&parts[there[k]], near).len() <= 1
    });
    for (i, one) in there.into_iter().zip(found) {
        out[i] = one;
    }
    out
}

/// Whether a disc moved about inside an opening surely reaches all of it but `most_nm2`.
///
/// That of a convex ring whose edges all outlast the inset, where the disc leaves of a corner that turns by `a`
/// r^2 (tan(a/2) - a/2), which is at most r^2 tan(a/2)^3 / 3.
fn is_reached(opening: Shape<'_>, radius_nm: f64, most_nm2: f64) -> bool {
    let ring = opening.outer();
    let n = ring.len();
    if opening.holes().len() > 0 || n < 3 {
        return false;
    }
    let direction = |i: usize| {
        let d = sub(v(ring[if i + 1 == n { 0 } else { i + 1 }]), v(ring[i]));
        let length = (d[0] * d[0] + d[1] * d[1]).sqrt();
        ([d[0] / length, d[1] / length], length)
    };
    let (mut before, _) = direction(n - 1);
    let (mut left, mut first, mut lost) = (f64::INFINITY, 0.0, 0.0);
    for i in 0..n {
        let (after, length) = direction(i);
        let cross = before[0] * after[1] - before[1] * after[0];
        let half_turn = cross / (1.0 + before[0] * after[0] + before[1] * after[1]);
        let trim = radius_nm * half_turn;
        // False for edges without length and for corners that turn back.
        if !(half_turn >= 0.0 && left - trim > 0.0) {
            return false;
        }
        if i == 0 {
            first = trim;
        }
        lost += half_turn * half_turn * half_turn;
        left = length - trim;
        before = after;
    }
    left - first > 0.0 && radius_nm * radius_nm * lost / 3.0 <= most_nm2
}

/// At least the area of an opening that a disc moved along `path` inside it does not reach; infinite where
/// that takes more than a formula.
fn loss_nm2(opening: Shape<'_>, path: Shape<'_>, radius_nm: f64) -> f64 {
    if path.holes().len() > 0 || !is_convex(path.outer()) {
        return f64::INFINITY;
    }
    // Steiner's formula for the area of the convex path grown by the disc.
    opening.area_nm2()
        - path.area_nm2()
        - path.perimeter_nm() * radius_nm
        - std::f64::consts::PI * radius_nm * radius_nm
}

/// Finds the pieces of foil left by `openings` in `sheet`.
pub fn pieces(sheet: &Regions, openings: &Regions, recipe: &Recipe) -> Foil {
    let half_nm = web_nm(recipe) / 2.0;
    let tolerance_nm = recipe.tolerance_um() * NM_PER_UM;
    let cut = as_cut(openings, recipe);
    if whole::surely(sheet, &cut, half_nm, tolerance_nm) {
        return Foil {
            cores: inset(sheet, half_nm, tolerance_nm),
            areas_nm2: vec![sheet.area_nm2() - cut.area_nm2()],
            frame: Some(0),
            parted: Vec::new(),
            specks: Vec::new(),
            hairs: Vec::new(),
            crowded: false,
            unseen: None,
        };
    }
    let left = difference(sheet, &cut);
    let mut foil = Foil {
        cores: Regions::new(),
        areas_nm2: Vec::new(),
        frame: None,
        parted: Vec::new(),
        specks: Vec::new(),
        hairs: Vec::new(),
        crowded: false,
        unseen: (left.len() > most_pieces(recipe)).then_some(left.len()),
    };
    if foil.unseen.is_some() {
        return foil;
    }
    let parts: Vec<Part> = (0..left.len())
        .into_par_iter()
        .with_min_len(16)
        .map(|i| part(left.shape(i), half_nm, tolerance_nm))
        .collect();
    for part in parts {
        foil.crowded |= part.cores.len() > MOST_HAIRS;
        foil.cores.extend(&part.cores);
        foil.areas_nm2.extend(part.areas_nm2);
        foil.specks.extend(part.speck);
        foil.hairs.extend(part.hairs);
    }
    if let Some(edge) = sheet.bounds() {
        let near = half_nm + 3.0 * tolerance_nm;
        let at_edge = |&i: &usize| touches(foil.cores.shape(i).bounds(), edge, near);
        foil.parted = (0..foil.cores.len()).filter(at_edge).collect();
        foil.frame = (foil.parted.iter().copied())
            .max_by(|&a, &b| foil.areas_nm2[a].total_cmp(&foil.areas_nm2[b]));
        foil.parted.retain(|&i| Some(i) != foil.frame);
    }
    foil
}

/// What a piece of the sheet comes to.
struct Part {
    cores: Regions,
    areas_nm2: Vec<f64>,
    speck: Option<(Point, f64)>,
    hairs: Vec<Point>,
}

fn part(shape: Shape<'_>, half_nm: f64, tolerance_nm: f64) -> Part {
    let cores =
        inset(&shape.to_regions(), half_nm, tolerance_nm).filter(|s| s.area_nm2() >= MIN_CORE_NM2);
    let area = shape.area_nm2();
    let mut part = Part {
        cores,
        areas_nm2: Vec::new(),
        speck: None,
        hairs: Vec::new(),
    };
    match part.cores.len() {
        0 => part.speck = (area >= MIN_CORE_NM2).then(|| (inner_point(shape), area)),
        1 => part.areas_nm2.push(area),
        _ => {
            part.areas_nm2.extend(part.cores.shapes().map(|s| {
                // Steiner's formula, corners aside: the core grown back by half the web.
                s.area_nm2() + s.perimeter_nm() * half_nm + std::f64::consts::PI * half_nm * half_nm
            }));
            if part.cores.len() <= MOST_HAIRS {
                part.hairs = hairs(shape, &part.cores, half_nm, tolerance_nm);
            }
        }
    }
    part
}

/// Vertices of a piece of foil beyond which hairs are looked for round each of its cores but the largest, and how many
/// times half the web from it at first.
const LARGE: usize = 50_000;
const ROUND_CORE: f64 = 8.0;
const OVERLAP: f64 = 16.0;

/// Points in what is left of a piece of foil once its cores are grown back, where that reaches two of them.
fn hairs(shape: Shape<'_>, cores: &Regions, half_nm: f64, tolerance_nm: f64) -> Vec<Point> {
    let grown_nm = half_nm + 3.0 * tolerance_nm;
    let edges = core_edges(cores);
    let near = half_nm + 8.0 * tolerance_nm;
    let reached = |thin: Shape<'_>| {
        let outer = thin.outer().to_vec();
        outer
            .into_iter()
            .flat_map(|p| edges.within(v(p), near).map(|e| e.piece))
    };
    let shape = shape.to_regions();
    let largest = (0..cores.len()).max_by_key(|&i| cores.shape(i).vertex_count());
    let small: Vec<usize> = (0..cores.len()).filter(|&i| Some(i) != largest).collect();
    let area = |b: Bounds| b.width_nm() as f64 * b.height_nm() as f64;
    let whole = shape.bounds().map_or(0.0, area);
    let window = |i: usize, round: f64| {
        let reach = (round * half_nm).ceil() as i32 + CLIP_NM;
        cores.shape(i).bounds().grown(reach)
    };
    // Cores beyond a window still count in it once they are grown.
    let beyond = (2.0 * grown_nm).ceil() as i32 + CLIP_NM;
    let mut out: Vec<(usize, Vec<Point>)> = Vec::new();
    let (mut left, mut round, mut looked) = (small.clone(), ROUND_CORE, 0.0);
    while !left.is_empty() {
        let windows: Vec<Bounds> = left.iter().map(|&i| window(i, round)).collect();
        looked += windows.iter().map(|&b| area(b)).sum::<f64>();
        // Where they lie in one another that would be more work.
        if shape.vertex_count() <= LARGE || looked > OVERLAP * whole {
            return difference(&shape, &outset(cores, grown_nm, tolerance_nm))
                .shapes()
                .filter(|&thin| {
                    let mut reached = reached(thin);
                    let first = reached.next();
                    reached.any(|piece| Some(piece) != first)
                })
                .map(inner_point)
                .collect();
        }
        let wider: Vec<Bounds> = windows.iter().map(|w| w.grown(beyond)).collect();
        let found = by_windows(&wider, [&shape, cores], |k, [shape, cores]| {
            let own = left[k];
            let rings: Vec<&[Point]> = cores.rings().collect();
            let cores = normalise(&rings, FillRule::NonZero);
            let thick = outset(&cores, grown_nm, tolerance_nm);
            let thin = difference(&clipped(shape, windows[k]), &thick);
            let mut hairs = Vec::new();
            for thin in thin.shapes() {
                let mut pieces: Vec<usize> = reached(thin).collect();
                pieces.sort_unstable();
                pieces.dedup();
                // It may reach another core beyond the window.
                if pieces == [own] && at_border(thin, windows[k]) {
                    return None;
                }
                // Between two cores that both are looked at it is the first one's.
                let first = pieces.iter().find(|&&piece| Some(piece) != largest);
                if pieces.len() > 1 && first == Some(&own) {
                    hairs.push(inner_point(thin));
                }
            }
            Some(hairs)
        });
        let mut again = Vec::new();
        for (own, found) in left.into_iter().zip(found) {
            match found {
                Some(found) => out.push((own, found)),
                None => again.push(own),
            }
        }
        (left, round) = (again, 2.0 * round);
    }
    out.sort_by_key(|(own, _)| *own);
    out.into_iter().flat_map(|(_, found)| found).collect()
}

/// Whether a share of a window was cut off at its border.
fn at_border(shape: Shape<'_>, window: Bounds) -> bool {
    let on = |p: &Point| {
        [p.x, p.y]
            .into_iter()
            .zip([[window.min.x, window.max.x], [window.min.y, window.max.y]])
            .any(|(v, [lo, hi])| v <= lo || v >= hi)
    };
    shape.outer().iter().any(on)
}

fn touches(core: Bounds, sheet: Bounds, near_nm: f64) -> bool {
    let close = |a: i32, b: i32| (f64::from(a) - f64::from(b)).abs() <= near_nm;
    close(core.min.x, sheet.min.x)
        || close(core.max.x, sheet.max.x)
        || close(core.min.y, sheet.min.y)
        || close(core.max.y, sheet.max.y)
}

impl Foil {
    /// Whether nothing holds the piece: it is neither the frame nor a part of a divided sheet.
    pub fn is_loose(&self, piece: usize) -> bool {
        Some(piece) != self.frame && self.parted.binary_search(&piece).is_err()
    }
    /// The number of pieces that nothing holds.
    pub fn loose(&self) -> usize {
        if let Some(pieces) = self.unseen {
            return pieces;
        }
        self.cores.len() - self.parted.len() - usize::from(self.frame.is_some())
    }
    /// For each part of a divided sheet the middle of the narrowest gap between it and other foil.
    pub fn gaps_between_parts(&self) -> Vec<V> {
        if self.parted.is_empty() {
            return Vec::new();
        }
        let tree = core_edges(&self.cores);
        let marks = tree.marks(|e| e.piece as u32);
        let gap = |&piece: &usize| {
            let across = samples(&self.cores, piece, 96, |_| true)
                .into_iter()
                .filter_map(|s| {
                    let e = tree.nearest_beyond(s.at, &marks, [piece as u32; 2])?;
                    let (q, d) = crate::regions::nearest_on_segment(s.at, e.a, e.b);
                    Some((d, super::geometry::middle(s.at, q)))
                });
            across.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, m)| m)
        };
        self.parted.iter().filter_map(gap).collect()
    }
}

/// An edge of a core.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoreEdge {
    pub a: V,
    pub b: V,
    pub piece: usize,
}

impl Ends for CoreEdge {
    fn ends(&self) -> (V, V) {
        (self.a, self.b)
    }
}

/// All edges of all cores.
pub fn core_edges(cores: &Regions) -> Packed<CoreEdge> {
    let mut all = Vec::with_capacity(cores.vertex_count());
    for (piece, shape) in cores.shapes().enumerate() {
        for ring in shape.rings() {
            for (i, &a) in ring.iter().enumerate() {
                let b = ring[(i + 1) % ring.len()];
                all.push(CoreEdge {
                    a: v(a),
                    b: v(b),
                    piece,
                });
            }
        }
    }
    Packed::new(all)
}

/// A place on the edge of a core with the direction out of it.
#[derive(Debug, Clone, Copy)]
pub struct Sample {
    pub at: V,
    pub out: V,
}

/// Places round the rings of a core that are `wanted`: the middles of its longest edges and points at even distances.
pub fn samples(
    cores: &Regions,
    piece: usize,
    count: usize,
    wanted: impl Fn(&[Point]) -> bool,
) -> Vec<Sample> {
    let shape = cores.shape(piece);
    let total: f64 = shape.perimeter_nm();
    let mut out = Vec::with_capacity(count * 2);
    for ring in shape.rings().filter(|ring| wanted(ring)) {
        let length: f64 = crate::regions::ring_perimeter_nm(ring);
        let n = ((count as f64 * length / total).ceil() as usize).clamp(8, count);
        let step = length / n as f64;
        // Begin at the rightmost point, so that symmetric outlines are sampled alike.
        let first = (0..ring.len())
            .max_by_key(|&i| (ring[i].x, -i64::from(ring[i].y)))
            .unwrap_or(0);
        let mut walked = 0.0;
        let mut next = 0.0;
        for k in 0..ring.len() {
            let (a, b) = (
                ring[(first + k) % ring.len()],
                ring[(first + k + 1) % ring.len()],
            );
            let len = distance_nm(a, b);
            if len == 0.0 {
                continue;
            }
            let d = sub(v(b), v(a));
            // Outer rings have positive area, so the outside is to the right of (dx, dy) in these axes.
            let normal = [d[1] / len, -d[0] / len];
            let mut push = |t: f64| {
                out.push(Sample {
                    at: [v(a)[0] + d[0] * t, v(a)[1] + d[1] * t],
                    out: normal,
                });
            };
            if len > 0.7 * step {
                push(0.5);
            }
            while next < walked + len {
                push((next - walked) / len);
                next += step;
            }
            walked += len;
        }
    }
    out
}

/// Centre of mass of a shape.
pub fn centroid(cores: &Regions, piece: usize) -> V {
    let shape = cores.shape(piece);
    let origin = v(shape.outer()[0]);
    let (mut x, mut y, mut area) = (0.0, 0.0, 0.0);
    for ring in shape.rings() {
        for (i, &a) in ring.iter().enumerate() {
            let (p, q) = (
                sub(v(a), origin),
                sub(v(ring[(i + 1) % ring.len()]), origin),
            );
            let c = p[0] * q[1] - q[0] * p[1];
            x += (p[0] + q[0]) * c;
            y += (p[1] + q[1]) * c;
        }
        area += ring_area_nm2(ring);
    }
    [origin[0] + x / (6.0 * area), origin[1] + y / (6.0 * area)]
}
