//! Foil: what is left of the sheet after the job, line by line, and what of it hangs together.
//!
//! On each scan line the beam's sweep is a set of intervals, exact along x; the metal in between is
//! joined with the metal of the line before. Lines lie closer than half a kerf, so no cut slips through.

mod lines;

use crate::grid::Segment;
use lines::{BAND, Band, Run, apart, buckets, mark_cores, metal};
use rayon::prelude::*;
use rstar::primitives::Rectangle;
use rstar::{AABB, RTree};
use serde::Serialize;

/// A piece of metal that no longer touches the foil.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LoosePiece {
    /// A place in it, page millimetres.
    pub at_mm: [f64; 2],
    pub area_um2: f64,
    /// Area that the drawing wants to keep.
    pub wanted_um2: f64,
    pub width_um: f64,
    pub height_um: f64,
    /// The middle of its box.
    #[serde(skip)]
    pub middle_mm: [f64; 2],
    /// Nowhere as wide as the width asked about.
    pub speck: bool,
    /// It touched the edge of the sheet: the sheet is cut in two.
    pub from_edge: bool,
}

impl LoosePiece {
    /// Its box in page millimetres, `by_um` wider on every side.
    pub(super) fn around(&self, by_um: f64) -> AABB<[f64; 2]> {
        let half = [self.width_um, self.height_um].map(|v| (v / 2.0 + by_um) / 1e3);
        AABB::from_corners(
            [0, 1].map(|d| self.middle_mm[d] - half[d]),
            [0, 1].map(|d| self.middle_mm[d] + half[d]),
        )
    }
}

/// What became of the metal.
#[derive(Debug, Clone, Default)]
pub(super) struct Foil {
    /// Pieces larger than the beam that fall out and were to fall out.
    pub slugs: usize,
    /// Those of them that are longer than `slug_um` and nowhere about as wide: they stick.
    pub stuck: Vec<LoosePiece>,
    pub pieces: Vec<LoosePiece>,
    /// Connected metal in drawn openings that hangs on foil about them and is larger than the joint of two bars.
    pub attached: Vec<LoosePiece>,
    /// Metal of the drawn openings that still hangs on the foil.
    pub left_um2: f64,
    pub line_um: f64,
}

/// Widths asked about, micrometres.
#[derive(Debug, Clone, Copy)]
pub(super) struct Widths {
    /// Foil nowhere as wide is a speck.
    pub solid_um: f64,
    /// Slugs nowhere as wide stick.
    pub slug_um: f64,
    /// Bars are nowhere wider.
    pub bar_um: f64,
    /// Largest edge error.
    pub limit_um: f64,
    /// Somewhere an edge is not cut, on purpose or not, so that metal in openings may hang on the foil.
    pub hangs: bool,
}

#[derive(Debug, Clone, Copy)]
struct Piece {
    area: f64,
    open: f64,
    widest: f32,
    at: [f32; 2],
    min: [f32; 2],
    max: [f32; 2],
    edge: bool,
    core: bool,
    inside: bool,
    meets: bool,
}

/// Scan lines that cuts may cross, all together, beside [`FREE_PER_CUT`] of each: what is swept of them takes seconds.
const MOST_CROSSED: f64 = 4e7;
const FREE_PER_CUT: f64 = 10.0;

/// Lines this close do not miss what is a little wider than a speck.
const FINE_UM: f64 = 0.5;

/// Slugs a little narrower than asked are let pass, since lines see half a step less.
const CLEARLY: f64 = 0.9;

/// A piece that takes up so much of its box is about that much of it wide.
const FILLS: f64 = 0.75;

/// What a flood marks beside the pieces.
#[derive(Debug, Clone, Copy)]
enum Mark {
    Nothing,
    /// Pieces with a place that far from every way of the beam.
    Cores(f64),
    /// Pieces with a place that far from every drawn edge.
    Depths(f64),
    /// What lies in drawn openings and what lies beside them, as pieces of their own.
    Apart,
}

/// Floods the sheet. `cuts` are the ways of the beam's centre, `edges` the drawn edges. `None` where long cuts are so
/// many that the lines would take too long.
pub(super) fn flood(
    cuts: &[Segment],
    edges: &[Segment],
    sheet_um: [f64; 4],
    radius_um: f64,
    widths: Widths,
) -> Option<Foil> {
    let cuts = &distinct(cuts)[..];
    let height = sheet_um[3] - sheet_um[1];
    let step = (radius_um / 2.0).clamp(0.25, 2.0).max(height / 300_000.0);
    let inside = |y: f64| y.max(sheet_um[1]).min(sheet_um[3]);
    let heights_um = cuts.iter().map(|s| (inside(s.a[1]) - inside(s.b[1])).abs());
    let crossed_um: f64 = heights_um.sum();
    let most = MOST_CROSSED + FREE_PER_CUT * cuts.len() as f64;
    if crossed_um / step > most {
        return None;
    }
    let lines = |mark: Mark, radius_um: f64, step: f64| {
        let drawing = (cuts, edges, sheet_um);
        flood_lines(drawing, radius_um, widths.slug_um, mark, step)
    };
    let mut foil = lines(Mark::Nothing, radius_um, step);
    let fine = step.min(FINE_UM).max(height / 300_000.0);
    let fine = fine.max(2.0 * crossed_um / most).min(step);
    if !foil.pieces.is_empty() {
        // Once more, to tell the specks among them.
        let core = Mark::Cores(radius_um + widths.solid_um / 2.0);
        foil.pieces = lines(core, radius_um, fine).pieces;
    }
    if !foil.stuck.is_empty() {
        // By the drawn edges: where the beam runs in it takes of slugs that are large enough. Only about those in doubt.
        let depth_um = 2.0 * radius_um + CLEARLY * widths.slug_um / 2.0;
        let doubtful = (foil.stuck.iter()).map(|p| Rectangle::from_aabb(p.around(2.0 * depth_um)));
        let about = RTree::bulk_load(doubtful.collect());
        let near = |segments: &[Segment]| -> Vec<Segment> {
            let is_near = |s: &&Segment| {
                let [a, b] = [s.a, s.b].map(|p| p.map(|v| v / 1e3));
                let own = AABB::from_corners(a, b);
                about.locate_in_envelope_intersecting(&own).next().is_some()
            };
            segments.iter().filter(is_near).copied().collect()
        };
        // Necks narrower than what edges may be off are no seam between slugs: a flood that sweeps less joins them.
        let apart = RTree::bulk_load(foil.stuck.iter().map(|p| p.at_mm).collect());
        let drawing = (&near(cuts)[..], &near(edges)[..], sheet_um);
        let less_um = (radius_um - widths.limit_um).max(0.1);
        let mark = Mark::Depths(depth_um);
        foil.stuck =
            flood_lines(drawing, less_um, widths.slug_um, mark, step.min(2.0 * fine)).stuck;
        foil.stuck
            .retain(|p| p.speck && apart.locate_in_envelope(&p.around(0.0)).next().is_some());
    }
    let joint_um2 = widths.bar_um * widths.bar_um;
    if widths.hangs && foil.left_um2 > joint_um2 {
        // What edges may be off is no metal: a line between the drawn and the cut edge would see all its length.
        foil.attached = lines(Mark::Apart, radius_um + widths.limit_um, step).attached;
        foil.attached.retain(|p| p.area_um2 > joint_um2);
    }
    Some(foil)
}

/// Each way of the beam once: passes go over the same ways, and a job may repeat one any number of times.
fn distinct(cuts: &[Segment]) -> Vec<Segment> {
    let mut seen = rustc_hash::FxHashSet::default();
    cuts.iter()
        .filter(|s| {
            let [a, b] = [s.a, s.b].map(|p| p.map(f64::to_bits));
            seen.insert([a.min(b), a.max(b)])
        })
        .copied()
        .collect()
}

fn flood_lines(
    (cuts, edges, sheet_um): (&[Segment], &[Segment], [f64; 4]),
    radius_um: f64,
    slug_um: f64,
    mark: Mark,
    step: f64,
) -> Foil {
    let height = sheet_um[3] - sheet_um[1];
    let lines = (height / step).ceil().max(1.0) as usize;
    let step = height / lines as f64;
    let bands = lines.div_ceil(BAND);
    let [of_cuts, of_edges] = match mark {
        Mark::Nothing | Mark::Apart => [radius_um, 0.0],
        Mark::Cores(um) => [um, 0.0],
        Mark::Depths(um) => [radius_um, um],
    };
    let cut_bands = buckets(cuts, sheet_um[1], step, bands, of_cuts);
    let edge_bands = buckets(edges, sheet_um[1], step, bands, of_edges);
    let mut flood = Flood::default();
    // A limited number of bands in memory at a time, in order.
    for first in (0..bands).step_by(256) {
        let rows: Vec<Vec<Vec<Run>>> = (first..bands.min(first + 256))
            .into_par_iter()
            .map(|b| {
                let band = Band {
                    top: sheet_um[1] + (b * BAND) as f64 * step,
                    step,
                    lines: BAND.min(lines - b * BAND),
                };
                let near = &cut_bands[b][..];
                let swept = band.swept(cuts, near, radius_um);
                let crossings = band.crossings(edges, &edge_bands[b]);
                let mut rows: Vec<(Vec<Run>, Vec<f64>)> = (swept.into_iter().zip(crossings))
                    .map(|(swept, crossings)| metal(swept, crossings, sheet_um, radius_um))
                    .collect();
                let wider = match mark {
                    Mark::Cores(um) => band.swept(cuts, near, um),
                    Mark::Depths(um) => band.swept(edges, &edge_bands[b], um),
                    Mark::Nothing | Mark::Apart => Vec::new(),
                };
                for ((runs, _), wider) in rows.iter_mut().zip(wider) {
                    mark_cores(runs, wider, sheet_um, radius_um);
                }
                if matches!(mark, Mark::Apart) {
                    for (runs, crossings) in &mut rows {
                        *runs = apart(runs, crossings);
                    }
                }
                rows.into_iter().map(|row| row.0).collect()
            })
            .collect();
        for (k, band) in rows.into_iter().enumerate() {
            for (j, runs) in band.into_iter().enumerate() {
                let i = (first + k) * BAND + j;
                let y = sheet_um[1] + (i as f64 + 0.5) * step;
                flood.line(runs, y, step, i == 0 || i + 1 == lines, sheet_um);
            }
        }
    }
    flood.finish(step, radius_um, slug_um)
}

#[derive(Default)]
struct Flood {
    parent: Vec<u32>,
    pieces: Vec<Piece>,
    before: Vec<(Run, u32)>,
}

impl Flood {
    fn root(&mut self, mut i: u32) -> u32 {
        while self.parent[i as usize] != i {
            let up = self.parent[self.parent[i as usize] as usize];
            self.parent[i as usize] = up;
            i = up;
        }
        i
    }

    fn join(&mut self, a: u32, b: u32) -> u32 {
        let (a, b) = (self.root(a), self.root(b));
        if a == b {
            return a;
        }
        let (keep, gone) = (a.min(b), a.max(b));
        self.parent[gone as usize] = keep;
        let g = self.pieces[gone as usize];
        let k = &mut self.pieces[keep as usize];
        k.area += g.area;
        k.open += g.open;
        k.edge |= g.edge;
        k.core |= g.core;
        k.meets |= g.meets;
        if g.widest > k.widest {
            k.widest = g.widest;
            k.at = g.at;
        }
        for d in 0..2 {
            k.min[d] = k.min[d].min(g.min[d]);
            k.max[d] = k.max[d].max(g.max[d]);
        }
        keep
    }

    fn line(&mut self, runs: Vec<Run>, y: f64, step: f64, border: bool, sheet: [f64; 4]) {
        let before = std::mem::take(&mut self.before);
        let mut first = 0;
        let mut now = Vec::with_capacity(runs.len());
        for run in runs {
            while first < before.len() && before[first].0.to <= run.from {
                first += 1;
            }
            let mut label = None;
            let mut k = first;
            let mut meets = run.meets;
            while k < before.len() && before[k].0.from < run.to {
                let (other, number) = before[k];
                k += 1;
                if other.inside != run.inside {
                    let root = self.root(number);
                    self.pieces[root as usize].meets = true;
                    meets = true;
                    continue;
                }
                label = Some(match label {
                    None => self.root(number),
                    Some(l) => self.join(l, number),
                });
            }
            let width = run.to - run.from;
            let edge = border || run.from <= sheet[0] as f32 || run.to >= sheet[2] as f32;
            let piece = Piece {
                area: f64::from(width) * step,
                open: f64::from(run.open) * step,
                widest: width,
                at: [(run.from + run.to) / 2.0, y as f32],
                min: [run.from, y as f32],
                max: [run.to, y as f32],
                edge,
                core: run.core,
                inside: run.inside,
                meets,
            };
            let fresh = self.pieces.len() as u32;
            let label = match label {
                None => {
                    self.parent.push(fresh);
                    self.pieces.push(piece);
                    fresh
                }
                Some(l) => {
                    let k = &mut self.pieces[l as usize];
                    k.area += piece.area;
                    k.open += piece.open;
                    k.edge |= edge;
                    k.core |= run.core;
                    k.meets |= meets;
                    if width > k.widest {
                        k.widest = width;
                        k.at = piece.at;
                    }
                    for d in 0..2 {
                        k.min[d] = k.min[d].min(piece.min[d]);
                        k.max[d] = k.max[d].max(piece.max[d]);
                    }
                    l
                }
            };
            now.push((run, label));
        }
        self.before = now;
    }

    fn finish(self, step: f64, radius_um: f64, slug_um: f64) -> Foil {
        let roots: Vec<Piece> = (0..self.parent.len())
            .filter(|&i| self.parent[i] == i as u32)
            .map(|i| self.pieces[i])
            .collect();
        let largest = roots
            .iter()
            .enumerate()
            .filter(|(_, p)| p.edge)
            .max_by(|a, b| a.1.area.total_cmp(&b.1.area))
            .map(|(i, _)| i);
        let mut foil = Foil {
            line_um: step,
            ..Foil::default()
        };
        for (i, p) in roots.iter().enumerate() {
            if Some(i) == largest {
                foil.left_um2 = p.open;
                continue;
            }
            let piece = LoosePiece {
                at_mm: [f64::from(p.at[0]) / 1e3, f64::from(p.at[1]) / 1e3],
                area_um2: p.area,
                wanted_um2: p.area - p.open,
                width_um: f64::from(p.max[0] - p.min[0]),
                height_um: f64::from(p.max[1] - p.min[1]) + step,
                middle_mm: [0, 1].map(|d| f64::from(p.min[d] + p.max[d]) / 2e3),
                speck: !p.core,
                from_edge: p.edge,
            };
            if p.inside {
                if p.meets {
                    foil.attached.push(piece);
                }
                continue;
            }
            // Metal the drawing wants, beyond what scan lines and edge error make of a slug's rim.
            let wanted = piece.wanted_um2;
            if wanted > 0.2 * p.area && wanted > 4.0 * step * step {
                foil.pieces.push(piece);
            } else if p.area > std::f64::consts::PI * radius_um * radius_um {
                // Smaller than the beam: chips beside run-ins and in corners, no piece to look for.
                foil.slugs += 1;
                let [w, h] = [piece.width_um, piece.height_um];
                let fills = FILLS * w.min(h) > slug_um && p.area > FILLS * w * h;
                if w.max(h) > slug_um && !fills && p.area < 1.5 * slug_um * (w + h) {
                    foil.stuck.push(piece);
                }
            }
        }
        foil
    }
}
