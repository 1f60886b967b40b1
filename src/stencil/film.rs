//! What tie bars do to the film: the openings they part, and the gap at which blur joins them again.

use super::Stencil;
use super::geometry::{inner_point, middle, mm, v};
use crate::finding::Finding;
use crate::recipe::Recipe;
use crate::regions::EdgeIndex;
use crate::units::show_length_um;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

/// Corners of openings up to which they are walked round to find the one that a point lies in.
const FEW_CORNERS: usize = 1000;

/// Gap between stencil and substrate at which the blur of the edges fills in behind a bar,
/// micrometres: blur B = g S / D reaches the bar's width at g = w D / S.
/// Infinite for a source without width.
pub fn bridging_gap_um(bar_um: f64, recipe: &Recipe) -> f64 {
    bar_um * recipe.film.source_distance_mm / recipe.film.source_width_mm
}

/// One finding for each drawn opening that bars divide.
pub(super) fn parted(stencil: &Stencil, recipe: &Recipe, findings: &mut Vec<Finding>) {
    // Rings are numbered as this stencil has them: its drawing can be a share of the layer's.
    let edges = EdgeIndex::new(&stencil.drawn);
    let boxes: Vec<_> = stencil
        .drawn
        .shapes()
        .enumerate()
        .map(|(i, s)| {
            let b = s.bounds();
            GeomWithData::new(Rectangle::from_corners(v(b.min), v(b.max)), i)
        })
        .collect();
    let tree = RTree::bulk_load(boxes);
    let owner = ring_owners(stencil);
    let mut parts = vec![0usize; stencil.drawn.len()];
    for shape in stencil.openings.shapes() {
        let p = inner_point(shape);
        let mut owners: Vec<usize> = tree
            .locate_in_envelope_intersecting(&AABB::from_point(v(p)))
            .map(|g| g.data)
            .collect();
        let corners = |&i: &usize| stencil.drawn.shape(i).vertex_count();
        if owners.iter().map(corners).sum::<usize>() <= FEW_CORNERS {
            owners.retain(|&i| stencil.drawn.shape(i).contains(p));
        } else {
            owners = edges.around(p, |e| owner[e.ring as usize]);
        }
        owners.sort_unstable();
        if let Some(&i) = owners.first() {
            parts[i] += 1;
        }
    }
    let mut bars: Vec<Vec<usize>> = vec![Vec::new(); stencil.drawn.len()];
    for (n, bar) in stencil.tie_bars.iter().enumerate() {
        if let Some((e, _, _)) = edges.nearest(v(bar.from)) {
            bars[owner[e.ring as usize]].push(n);
        }
    }
    for (i, &n) in parts.iter().enumerate().filter(|&(_, &n)| n > 1) {
        let Some(bar) = bars[i]
            .iter()
            .map(|&k| &stencil.tie_bars[k])
            .max_by(|a, b| a.width_um.total_cmp(&b.width_um))
        else {
            continue;
        };
        let [x, y] = mm(middle(v(bar.from), v(bar.to)));
        let gap = bridging_gap_um(bar.width_um, recipe);
        let now = recipe.edge_blur_um();
        let what = if now >= bar.width_um {
            format!(
                "the film still meets behind the bars: the edges blur over {} at the gap of {}",
                show_length_um(now),
                show_length_um(recipe.film.gap_um)
            )
        } else if gap.is_finite() {
            format!(
                "blur would join the film from a gap of {} on",
                show_length_um(gap)
            )
        } else {
            "a source without width never joins it".to_owned()
        };
        let message = format!(
            "tie bars of {} part the film of this opening into {n} pieces; {what}",
            show_length_um(bar.width_um)
        );
        let finding = if now >= bar.width_um {
            Finding::note("film-parted", message)
        } else {
            Finding::warning("film-parted", message)
        };
        findings.push(
            finding
                .hint("split the layer (--islands split) where the film must be one piece")
                .at(x, y)
                .measured(bar.width_um, now),
        );
    }
}

fn ring_owners(stencil: &Stencil) -> Vec<usize> {
    let mut owner = Vec::with_capacity(stencil.drawn.ring_count());
    for (i, shape) in stencil.drawn.shapes().enumerate() {
        owner.extend(shape.rings().map(|_| i));
    }
    owner
}
