//! Drawn edges and ways of the beam as segments on the page, micrometres.

use super::ReadJob;
use crate::grid::Segment;
use crate::polyline::distance;
use crate::recipe::{LaserSide, Origin, Recipe};
use crate::regions::Regions;

/// The rings of the openings as segments in micrometres, and the shape of each ring.
pub(super) fn rings(openings: &Regions) -> (Vec<Vec<Segment>>, Vec<usize>) {
    let mut out = Vec::with_capacity(openings.ring_count());
    let mut shape_of = Vec::with_capacity(openings.ring_count());
    for (s, shape) in openings.shapes().enumerate() {
        for ring in shape.rings() {
            let owner = out.len() as u32;
            let um = |i: usize| {
                let p = ring[i % ring.len()];
                [f64::from(p.x) / 1e3, f64::from(p.y) / 1e3]
            };
            let mut at_um = 0.0;
            let mut list = Vec::with_capacity(ring.len());
            for i in 0..ring.len() {
                let s = Segment {
                    a: um(i),
                    b: um(i + 1),
                    owner,
                    index: i as u32,
                    at_um,
                };
                if s.length() > 0.0 {
                    at_um += s.length();
                    list.push(s);
                }
            }
            if !list.is_empty() {
                out.push(list);
                shape_of.push(s);
            }
        }
    }
    (out, shape_of)
}

/// The ways of the beam on the page, millimetres, y down: one polyline per burn.
pub fn ways_mm(job: &ReadJob, sheet_mm: [f64; 4], recipe: &Recipe) -> Vec<Vec<[f64; 2]>> {
    let to_page = to_page(job, sheet_mm, recipe);
    job.motion
        .burns
        .iter()
        .map(|b| b.points.iter().copied().map(&to_page).collect())
        .collect()
}

/// Where a place of the job lies on the page, millimetres.
pub(super) fn to_page(
    job: &ReadJob,
    sheet_mm: [f64; 4],
    recipe: &Recipe,
) -> impl Fn([f64; 2]) -> [f64; 2] {
    let mirrored = job
        .mirrored()
        .unwrap_or(recipe.sheet.laser_side == LaserSide::Substrate);
    let own = if job.motion.sheet_mm == [0.0; 4] {
        let (w, h) = (sheet_mm[2] - sheet_mm[0], sheet_mm[3] - sheet_mm[1]);
        match recipe.scan.origin {
            Origin::Centre => [-w / 2.0, -h / 2.0, w / 2.0, h / 2.0],
            Origin::Corner => [0.0, 0.0, w, h],
        }
    } else {
        job.motion.sheet_mm
    };
    move |p| {
        let x = if mirrored {
            sheet_mm[2] - (p[0] - own[0])
        } else {
            sheet_mm[0] + (p[0] - own[0])
        };
        [x, sheet_mm[1] + (own[3] - p[1])]
    }
}

pub(super) fn cut_segments(job: &ReadJob, sheet_mm: [f64; 4], recipe: &Recipe) -> Vec<Segment> {
    let mut out = Vec::with_capacity(job.motion.burns.iter().map(|b| b.points.len()).sum());
    for (owner, way) in ways_mm(job, sheet_mm, recipe).iter().enumerate() {
        let mut at_um = 0.0;
        for (i, w) in way.windows(2).enumerate() {
            let (a, b) = (w[0].map(|v| v * 1e3), w[1].map(|v| v * 1e3));
            out.push(Segment {
                a,
                b,
                owner: owner as u32,
                index: i as u32,
                at_um,
            });
            at_um += distance(a, b);
        }
    }
    out
}

/// Edges by bands of y, for tests of a point against all openings.
pub(super) struct Bands {
    top: f64,
    height: f64,
    bands: Vec<Vec<u32>>,
}

impl Bands {
    pub fn new(edges: &[Segment], sheet: [f64; 4]) -> Bands {
        let n = 4096;
        let height = ((sheet[3] - sheet[1]) / n as f64).max(1e-9);
        let mut bands = vec![Vec::new(); n];
        for (i, s) in edges.iter().enumerate() {
            let lo = ((s.a[1].min(s.b[1]) - sheet[1]) / height).floor().max(0.0);
            let hi = ((s.a[1].max(s.b[1]) - sheet[1]) / height)
                .floor()
                .min(n as f64 - 1.0);
            if lo <= hi {
                for b in &mut bands[lo as usize..=hi as usize] {
                    b.push(i as u32);
                }
            }
        }
        Bands {
            top: sheet[1],
            height,
            bands,
        }
    }

    pub fn inside(&self, edges: &[Segment], p: [f64; 2]) -> bool {
        let band = ((p[1] - self.top) / self.height).floor();
        if band < 0.0 || band >= self.bands.len() as f64 {
            return false;
        }
        self.bands[band as usize]
            .iter()
            .map(|&i| &edges[i as usize])
            .filter(|s| {
                (s.a[1] > p[1]) != (s.b[1] > p[1])
                    && p[0] < s.a[0] + (s.b[0] - s.a[0]) * (p[1] - s.a[1]) / (s.b[1] - s.a[1])
            })
            .count()
            % 2
            == 1
    }
}
