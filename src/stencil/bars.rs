//! Tie bars: where an island is held, by how many bars, and why there.
//!
//! A bar runs from core to core (see [`super::foil`]), so that metal of at least the minimum web is
//! under both of its ends; a bar at least that wide therefore holds by construction.

mod candidates;
mod choose;
mod surroundings;

use super::TieBar;
use super::anchoring::Anchoring;
use super::foil::{CoreEdge, Foil, Sample, core_edges, samples};
use super::geometry::{V, apart_nm, crossing, len, sub, v};
use crate::recipe::Recipe;
use crate::regions::packed::Packed;
use crate::regions::{Bounds, EdgeIndex, Point, Regions};
use crate::units::{NM_PER_UM, show_length_um};
use candidates::{Candidate, Choice, CoreEdges, add, candidates};
use choose::choose;
use rayon::prelude::*;
use rstar::primitives::Line;
use rstar::{AABB, RTree};
use rustc_hash::FxHashMap;
pub use surroundings::Surroundings;

/// A bar that was chosen; coordinates in nanometres.
#[derive(Debug, Clone)]
pub struct Placed {
    pub piece: usize,
    /// Another piece that it helps to hold: one that this one does not hang on.
    pub also: Option<usize>,
    /// On the cores at both ends.
    pub from: V,
    pub to: V,
    pub width_nm: f64,
    /// Less than was asked for.
    pub narrowed: bool,
    pub reason: String,
}

/// Places round an island that bars are looked for at: so many, and fewer where there are more islands than this.
const PLACES: usize = 48;
const MANY: usize = 1500;
const FEWEST_PLACES: usize = 12;
/// Rings of an island beyond which holes that hold no other foil get no places.
const MANY_RINGS: usize = 100;
/// Islands for which bars are looked for before any is chosen: enough for all processors.
const AT_ONCE: usize = 256;

/// Answer of [`place`]: bars, and islands for which there are none.
#[derive(Debug, Default)]
pub struct Placement {
    pub bars: Vec<Placed>,
    /// Island and the span of the shortest bar that would reach (nanometres), if any would.
    pub untied: Vec<(usize, Option<f64>)>,
    /// Centre lines of the bars, for keeping the next island's bars out of them.
    taken: RTree<Line<V>>,
    /// Which of the bars end on a piece other than the one they were chosen for.
    lands: FxHashMap<usize, Vec<usize>>,
}

/// A place on the edge of a piece, and the nearest edge of another one.
pub struct Shore<'t> {
    pub sample: Sample,
    pub across: &'t CoreEdge,
}

/// Chooses bars for every loose piece of `foil`; `before` are those that are there already.
pub fn place(
    foil: &Foil,
    around: &Surroundings<'_>,
    before: &[TieBar],
    recipe: &Recipe,
) -> Placement {
    let Some(frame) = foil.frame else {
        return Placement::default();
    };
    let tree = core_edges(&foil.cores);
    let edges = CoreEdges {
        marks: tree.marks(|e| e.piece as u32),
        tree,
    };
    let tree = &edges.tree;
    let places = (PLACES * MANY / foil.loose().max(1)).clamp(FEWEST_PLACES, PLACES);
    let shores: Vec<Vec<Shore<'_>>> = (0..foil.cores.len())
        .into_par_iter()
        .map(|i| {
            if i == frame {
                return Vec::new();
            }
            let inhabited = |ring: &[Point]| {
                Bounds::of(ring)
                    .is_some_and(|b| tree.in_box(v(b.min), v(b.max)).any(|e| e.piece != i))
            };
            let many = foil.cores.shape(i).rings().len() > MANY_RINGS;
            samples(&foil.cores, i, places, |ring| !many || inhabited(ring))
                .into_iter()
                .filter_map(|sample| {
                    let across = tree.nearest_beyond(sample.at, &edges.marks, [i as u32; 2])?;
                    Some(Shore { sample, across })
                })
                .collect()
        })
        .collect();
    let order = Anchoring::new(foil, frame, tree, &shores);
    // The two pieces at each hair.
    let mut hairs: FxHashMap<usize, Vec<V>> = FxHashMap::default();
    for &hair in &foil.hairs {
        let mut at: Vec<usize> = Vec::new();
        for e in tree.from_nearest(v(hair)) {
            if !at.contains(&e.piece) {
                at.push(e.piece);
                hairs.entry(e.piece).or_default().push(v(hair));
            }
            if at.len() == 2 {
                break;
            }
        }
    }
    let mut out = Placement::default();
    for bar in before {
        out.taken.insert(Line::new(v(bar.from), v(bar.to)));
    }
    let loose: Vec<usize> = (0..foil.cores.len())
        .filter(|&i| foil.is_loose(i))
        .collect();
    for some in loose.chunks(AT_ONCE) {
        let found: Vec<Choice> = some
            .par_iter()
            .map(|&piece| candidates(piece, foil, &edges, &shores, &hairs, &order, around, recipe))
            .collect();
        for choice in found {
            one_island(choice, foil, tree, &order, recipe, &mut out);
        }
    }
    out
}

/// Chooses among an island's bars beside those that are there already.
fn one_island(
    choice: Choice,
    foil: &Foil,
    tree: &Packed<CoreEdge>,
    order: &Anchoring,
    recipe: &Recipe,
    out: &mut Placement,
) {
    let Choice {
        piece,
        centre,
        settings,
        wanted_nm,
        width_nm,
        mut all,
        shortest_nm,
        mirrors,
    } = choice;
    let web_nm = recipe.min_web_um() * NM_PER_UM;
    // Islands side by side would else both bridge the gap between them at the same place.
    let room = width_nm + web_nm;
    let free = |c: &Candidate| {
        let lo = std::array::from_fn(|d| c.from[d].min(c.to[d]) - room);
        let hi = std::array::from_fn(|d| c.from[d].max(c.to[d]) + room);
        out.taken
            .locate_in_envelope_intersecting(&AABB::from_corners(lo, hi))
            .all(|l| apart_nm((c.from, c.to), (l.from, l.to)) >= room)
    };
    if all.iter().any(free) {
        all.retain(free);
    }
    if all.is_empty() {
        out.untied.push((piece, shortest_nm.map(|s| s - web_nm)));
        return;
    }
    let least = (settings.count.unwrap_or(recipe.tie_bars.min_per_island) as usize).max(1);
    // A count that was asked for is kept to.
    let most = match settings.count {
        Some(_) => least,
        None => (recipe.tie_bars.max_per_island as usize).max(least),
    };
    // Bars by which pieces that do not hang on this one already hold to it.
    let held: Vec<Candidate> = out
        .lands
        .get(&piece)
        .into_iter()
        .flatten()
        .filter(|&&k| out.bars[k].also == Some(piece))
        .filter_map(|&k| {
            let mut one = Vec::new();
            let b = &out.bars[k];
            let edge = tree.nearest(b.from)?;
            add(&mut one, b.to, b.from, [0.0; 2], edge, centre);
            one.pop()
        })
        .collect();
    let chosen = choose(&all, &held, least, most, room, &mirrors);
    for (n, c) in chosen.iter().enumerate() {
        let gap_um = (len(sub(c.to, c.from)) - web_nm).max(0.0) / NM_PER_UM;
        out.taken.insert(Line::new(c.from, c.to));
        out.lands
            .entry(c.edge.piece)
            .or_default()
            .push(out.bars.len());
        out.bars.push(Placed {
            piece,
            also: (foil.is_loose(c.edge.piece) && !order.hangs_on(piece, c.edge.piece))
                .then_some(c.edge.piece),
            from: c.from,
            to: c.to,
            width_nm,
            narrowed: width_nm < wanted_nm - 1.0,
            reason: format!(
                "bar {} of {}: crosses a gap of {}, {} deg round the island's centre of mass",
                n + 1,
                chosen.len(),
                show_length_um(gap_um),
                (-c.angle).to_degrees().rem_euclid(360.0).round()
            ),
        });
    }
}

/// The part of a bar's centre line that crosses the opening, between the drawn edges.
pub fn clip_to_opening(edges: &EdgeIndex, drawn: &Regions, from: V, to: V) -> (V, V) {
    let d = sub(to, from);
    let at = |t: f64| [from[0] + d[0] * t, from[1] + d[1] * t];
    let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
    for e in edges.in_box(
        [from[0].min(to[0]), from[1].min(to[1])],
        [from[0].max(to[0]), from[1].max(to[1])],
    ) {
        if let Some(t) = crossing(from, to, e.a, e.b) {
            first = first.min(t);
            last = last.max(t);
        }
    }
    if drawn.is_empty() || first >= last {
        return (from, to);
    }
    (at(first), at(last))
}
