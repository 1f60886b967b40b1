//! Complementary stencils: openings shared so that no stencil has an island.
//!
//! Each open region with islands is a graph of bands ([`bands`]); [`fewest`] finds the fewest seams that leave
//! every stencil a forest of bands, hence no island; [`shares`] cuts the drawing there with an overlap.

mod bands;
mod fewest;
mod shares;

use super::bars::Surroundings;
use super::foil::{self, Foil};
use super::geometry::{V, inner_point, len, middle, mm, point, strip, sub, v};
use super::{Island, Stencil};
use crate::artwork::{Layer, TieLine};
use crate::finding::{Checked, Finding};
use crate::recipe::Recipe;
use crate::regions::{
    Bounds, EdgeIndex, Regions, Shape, difference, intersection, union, union_all, xor,
};
use crate::units::{NM_PER_UM, plural, show_length_um, trim_number};
use bands::{Bands, Room, Seam};

/// Width of the lines that part the pieces while they are sorted, nanometres.
const SEAM_NM: f64 = 100.0;
/// Least overlap: the laps have to cover those lines.
const LEAST_OVERLAP_NM: f64 = 4.0 * SEAM_NM;

/// A place where two stencils of a pair share an opening, between the edges of the opening.
#[derive(Debug, Clone, PartialEq)]
pub struct StencilSeam {
    pub from: crate::regions::Point,
    pub to: crate::regions::Point,
    pub overlap_um: f64,
    /// Why it is where it is, for people.
    pub reason: String,
}

/// What was made of a layer that was split, for its report.
#[derive(Debug, Clone, PartialEq)]
pub struct SplitProof {
    pub stencils: usize,
    pub seams: usize,
    /// No division has fewer seams: shown by trying all, or by reaching the bound of one seam for each
    /// piece of foil at an opening.
    pub fewest: bool,
    /// Area by which the union of the stencils differs from the drawing, square micrometres.
    pub difference_um2: f64,
    /// Area by which ends of seams on slanted outlines moved those to reach the grid, square micrometres.
    pub grid_um2: f64,
}

/// An open region with more than one piece of foil at its edge, and how it was divided.
struct Parted {
    faces: Regions,
    colours: Vec<usize>,
    seams: Vec<(Seam, Vec<usize>)>,
}

pub(super) fn split(
    layer: &Layer,
    sheet: &Regions,
    recipe: &Recipe,
    found: &Foil,
) -> Checked<Vec<Stencil>> {
    let mut findings = Vec::new();
    let overlap_nm = (recipe.stitch_overlap_um() * NM_PER_UM).max(LEAST_OVERLAP_NM);
    let holds_nm = recipe.min_web_um().max(recipe.tie_bars.width_um) * NM_PER_UM;
    let room = Room {
        overlap: overlap_nm,
        apart: overlap_nm + holds_nm,
        nearest: overlap_nm + recipe.min_web_um() * NM_PER_UM,
        clearance: recipe
            .tie_bars
            .clearance_um
            .unwrap_or(recipe.tie_bars.width_um)
            * NM_PER_UM,
    };
    let around = Surroundings::new(layer);
    let cores = foil::core_edges(&found.cores);
    let mut parted = Vec::new();
    let mut regions = Regions::new();
    let (mut least, mut proved) = (0, true);
    for region in open_regions(found).shapes() {
        if only_marks(region, layer) {
            continue;
        }
        let at_rings: Vec<usize> = region
            .rings()
            .map(|r| cores.nearest(v(r[0])).map_or(usize::MAX, |e| e.piece))
            .collect();
        let mut pieces = at_rings.clone();
        pieces.sort_unstable();
        pieces.dedup();
        let lines = lines_in(region.bounds(), layer);
        if pieces.len() < 2 && lines.is_empty() {
            continue;
        }
        let bands = match Bands::new(region, &at_rings, &cores, &lines, &around, room) {
            Ok(bands) => bands,
            Err(e) => {
                findings.push(Finding::warning("split-failed", e.to_string()).at(e.x_mm, e.y_mm));
                continue;
            }
        };
        let arms = bands.arms();
        if arms.is_empty() {
            continue;
        }
        let answer = fewest::fewest(bands.junctions, &arms);
        let seams = bands.seams(&answer.seams);
        if seams.is_empty() {
            continue;
        }
        if answer.stuck > 0 {
            no_room(region, recipe, &mut findings);
        }
        least += pieces.len();
        proved &= answer.proved || seams.len() == pieces.len();
        parted.push(part(region, seams));
        regions.push_shape(region);
    }
    let stencils = share(layer, sheet, &parted, &regions, overlap_nm);
    let (mut out, proof) = stencils.unwrap_or_else(|| {
        let one = Stencil::uncut(layer, sheet);
        (vec![one], None)
    });
    if let Some(mut proof) = proof {
        proof.fewest = proved;
        report(layer, recipe, found, &out, &proof, least, &mut findings);
        for s in &mut out {
            s.split = Some(proof.clone());
        }
    }
    finish(&mut out, layer, recipe, &mut findings);
    Checked::new(out, findings)
}

/// Everything between the pieces of foil that hold: openings, and webs too narrow to hold.
fn open_regions(found: &Foil) -> Regions {
    let Some(frame) = found.frame else {
        return Regions::new();
    };
    let mut whole = Regions::new();
    whole.push_ring(found.cores.shape(frame).outer());
    whole.close_shape();
    difference(&whole, &found.cores)
}

fn lines_in(b: Bounds, layer: &Layer) -> Vec<&TieLine> {
    layer
        .tie_lines
        .iter()
        .filter(|l| {
            l.from != l.to && Bounds::of([&l.from, &l.to]).is_some_and(|box_| box_.overlaps(&b))
        })
        .collect()
}

/// Whether all there is to open in a region are registration marks: these are wanted whole on every stencil.
fn only_marks(region: Shape<'_>, layer: &Layer) -> bool {
    let near = layer
        .common
        .bounds()
        .is_some_and(|b| b.overlaps(&region.bounds()));
    near && {
        let own = intersection(&layer.openings, &region.to_regions());
        difference(&own, &layer.common).area_nm2() < 1.0
    }
}

fn no_room(region: Shape<'_>, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let [x, y] = mm(v(inner_point(region)));
    findings.push(
        Finding::warning(
            "split-no-room",
            format!(
                "there is no room for the seams that this opening needs: they are kept {} apart, and off regions kept clear",
                show_length_um(recipe.stitch_overlap_um() + recipe.min_web_um().max(recipe.tie_bars.width_um))
            ),
        )
        .hint("draw tie lines where seams may go, draw the opening longer, or set [film] stitch_overlap_um")
        .at(x, y),
    );
}

/// Cuts a region at its seams and shares its pieces between as few stencils as neighbours allow.
fn part(region: Shape<'_>, seams: Vec<Seam>) -> Parted {
    let lines: Vec<Regions> = seams
        .iter()
        .map(|s| strip(s.from, s.to, SEAM_NM, 2.0 * SEAM_NM))
        .collect();
    let faces = difference(&region.to_regions(), &union_all(&lines));
    let bounds: Vec<Bounds> = faces.shapes().map(|s| s.bounds()).collect();
    let face_at = |p: V| {
        let p = point(p);
        (0..faces.len()).find(|&i| {
            let b = bounds[i];
            (b.min.x..=b.max.x).contains(&p.x)
                && (b.min.y..=b.max.y).contains(&p.y)
                && faces.shape(i).contains(p)
        })
    };
    let mut meets: Vec<Vec<usize>> = vec![Vec::new(); faces.len()];
    let seams = seams
        .into_iter()
        .map(|s| {
            let d = sub(s.to, s.from);
            let k = SEAM_NM / len(d).max(1.0);
            let m = middle(s.from, s.to);
            let sides = [
                [m[0] - k * d[1], m[1] + k * d[0]],
                [m[0] + k * d[1], m[1] - k * d[0]],
            ];
            let mut at: Vec<usize> = sides.into_iter().filter_map(face_at).collect();
            at.dedup();
            if let [a, b] = at[..] {
                meets[a].push(b);
                meets[b].push(a);
            }
            (s, at)
        })
        .collect();
    let areas: Vec<f64> = faces.shapes().map(|s| s.area_nm2()).collect();
    let colours = colours(&areas, &meets);
    Parted {
        faces,
        colours,
        seams,
    }
}

/// The fewest colours such that neighbours differ; the first colour covers the most.
fn colours(areas: &[f64], meets: &[Vec<usize>]) -> Vec<usize> {
    // In the order of a walk, so that two colours are found at once where two can do.
    let mut order = Vec::with_capacity(areas.len());
    let mut seen = vec![false; areas.len()];
    let mut largest: Vec<usize> = (0..areas.len()).collect();
    largest.sort_by(|&a, &b| areas[b].total_cmp(&areas[a]).then(a.cmp(&b)));
    for start in largest {
        let mut queue = std::collections::VecDeque::from([start]);
        while let Some(i) = queue.pop_front() {
            if !std::mem::replace(&mut seen[i], true) {
                order.push(i);
                queue.extend(meets[i].iter().copied());
            }
        }
    }
    let mut colour = vec![usize::MAX; areas.len()];
    let free = |colour: &[usize], i: usize, c: usize| meets[i].iter().all(|&k| colour[k] != c);
    let mut most = 2;
    let mut budget = 200_000u32;
    'more: loop {
        colour.fill(usize::MAX);
        let mut k = 0;
        while k < order.len() {
            let i = order[k];
            let from = if colour[i] == usize::MAX {
                0
            } else {
                colour[i] + 1
            };
            colour[i] = usize::MAX;
            budget = budget.saturating_sub(1);
            // Past the budget the first free colour is taken, however many that makes.
            let limit = if budget == 0 { usize::MAX } else { most };
            match (from..limit).find(|&c| free(&colour, i, c)) {
                Some(c) => {
                    colour[i] = c;
                    k += 1;
                }
                None if k == 0 => {
                    most += 1;
                    continue 'more;
                }
                None => k -= 1,
            }
        }
        break;
    }
    let used = colour.iter().max().map_or(0, |c| c + 1);
    let mut covered = vec![(0.0, 0usize); used];
    for (i, &c) in colour.iter().enumerate() {
        covered[c] = (covered[c].0 + areas[i], c);
    }
    covered.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut rank = vec![0; used];
    for (r, &(_, c)) in covered.iter().enumerate() {
        rank[c] = r;
    }
    colour.into_iter().map(|c| rank[c]).collect()
}

/// The stencils, and the proof that together they are the drawing; `None` when nothing was parted.
fn share(
    layer: &Layer,
    sheet: &Regions,
    parted: &[Parted],
    regions: &Regions,
    overlap_nm: f64,
) -> Option<(Vec<Stencil>, Option<SplitProof>)> {
    let stencils = 1 + parted.iter().flat_map(|p| &p.colours).max()?;
    let edges = EdgeIndex::new(&layer.openings);
    let mut knots = shares::Knots::default();
    let mut masks = vec![Regions::new(); stencils];
    let mut seams_of: Vec<Vec<StencilSeam>> = vec![Vec::new(); stencils];
    let mut seams = 0;
    for (parted, region) in parted.iter().zip(regions.shapes()) {
        let region = region.to_regions();
        let n = parted.seams.len();
        let mut shares = vec![Regions::new(); stencils];
        for (face, &c) in parted.faces.shapes().zip(&parted.colours) {
            shares[c].push_shape(face);
        }
        for (k, (seam, at)) in parted.seams.iter().enumerate() {
            seams += 1;
            let lap = knots.lap(seam, overlap_nm, &layer.openings, &edges);
            let lap = intersection(&lap, &region);
            let (from, to) =
                super::bars::clip_to_opening(&edges, &layer.openings, seam.from, seam.to);
            let mut users: Vec<usize> = at.iter().map(|&f| parted.colours[f]).collect();
            users.sort_unstable();
            users.dedup();
            for c in users {
                shares[c].extend(&lap);
                seams_of[c].push(StencilSeam {
                    from: point(from),
                    to: point(to),
                    overlap_um: overlap_nm / NM_PER_UM,
                    reason: match &seam.hand {
                        Some(id) => format!("placed by hand: `{id}`"),
                        None => format!(
                            "seam {} of {n} of this opening: {} across, off corners and other seams",
                            k + 1,
                            show_length_um(len(sub(to, from)) / NM_PER_UM)
                        ),
                    },
                });
            }
        }
        for (mask, share) in masks.iter_mut().zip(&shares) {
            mask.extend(&union_all([share]));
        }
    }
    let (outline, off_nm2) = knots.into_outline(&layer.openings);
    let mut out: Vec<Stencil> = Vec::new();
    for (c, mask) in masks.iter().enumerate() {
        let openings = if c == 0 {
            // Openings without islands stay on the first stencil.
            difference(&outline, &difference(regions, mask))
        } else {
            union(&intersection(&outline, mask), &layer.common)
        };
        let name = if stencils == 1 {
            layer.name.clone()
        } else {
            let letter = char::from(b'a' + u8::try_from(c.min(25)).unwrap_or(25));
            format!("{}-{letter}", layer.name)
        };
        out.push(Stencil {
            name,
            drawn: openings.clone(),
            elsewhere: difference(&outline, &openings),
            openings,
            seams: std::mem::take(&mut seams_of[c]),
            ..Stencil::uncut(layer, sheet)
        });
    }
    let all = union_all(out.iter().map(|s| &s.openings));
    let proof = SplitProof {
        stencils,
        seams,
        fewest: false,
        difference_um2: xor(&all, &outline).area_nm2() / 1e6,
        grid_um2: off_nm2 / 1e6,
    };
    Some((out, Some(proof)))
}

fn report(
    layer: &Layer,
    recipe: &Recipe,
    found: &Foil,
    out: &[Stencil],
    proof: &SplitProof,
    least: usize,
    findings: &mut Vec<Finding>,
) {
    let seam = out.iter().flat_map(|s| &s.seams).next();
    let at = seam.map(|s| mm(middle(v(s.from), v(s.to))));
    let fewest = if proof.fewest {
        "no fewer would do".to_owned()
    } else {
        format!("at least {least} are needed")
    };
    let grid = if proof.grid_um2 > 0.0 {
        format!(
            " (ends of seams on slanted edges lie on the 1 nm grid, which changes {:.6} um2)",
            proof.grid_um2
        )
    } else {
        String::new()
    };
    let mut f = Finding::note(
        "split",
        format!(
            "{} island{}: the layer is shared between {} stencils with {} seams ({fewest}), overlap {}; the union of the stencils differs from the drawing by {} um2{grid}",
            found.loose(),
            plural(found.loose()),
            proof.stencils,
            proof.seams,
            show_length_um(recipe.stitch_overlap_um()),
            trim_number(proof.difference_um2, 6),
        ),
    )
    .hint("align all of them on the same registration marks");
    if let Some([x, y]) = at {
        f = f.at(x, y);
    }
    findings.push(f);
    if proof.stencils > 1 && layer.common.is_empty() {
        findings.push(
            Finding::warning(
                "split-unregistered",
                "the stencils of this layer have no registration marks in common: nothing tells how they lie on each other",
            )
            .hint("draw marks in a layer named `common`: they are cut into every stencil"),
        );
    }
}

/// What splitting left loose is held with bars after all, and that is said.
fn finish(out: &mut [Stencil], layer: &Layer, recipe: &Recipe, findings: &mut Vec<Finding>) {
    for stencil in out {
        let left = foil::pieces(&stencil.sheet, &stencil.openings, recipe).loose();
        if left == 0 {
            continue;
        }
        let islands_before: Vec<Island> = std::mem::take(&mut stencil.islands);
        let mut unmarked = layer.clone();
        unmarked.tie_lines.clear();
        super::tie(stencil, &unmarked, recipe, findings);
        stencil.islands.extend(islands_before);
        findings.push(
            Finding::warning(
                "split-tied",
                format!(
                    "{left} pieces of foil of stencil `{}` are still loose after the split: tie bars hold them",
                    stencil.name
                ),
            )
            .hint("draw tie lines where seams may go, or draw marks without islands"),
        );
    }
}
