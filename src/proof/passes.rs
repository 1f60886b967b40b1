//! Passes: is every edge cut as often as asked for, and nothing more often?

use super::edges::{PIECE_UM, RingResult, SEARCH_UM};
use super::verdict::Proof;
use crate::artwork::Layer;
use crate::finding::Finding;
use rayon::prelude::*;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// Part of the length of a stretch along which a burn runs that is cut too often there: others overlap its ends.
const MOST_OF_IT: f64 = 0.6;

fn too_few(found: usize, passes: u32) -> Finding {
    Finding::blocking(
        "pass-missing",
        format!("cut {found} times; {passes} passes are asked for"),
    )
}

impl Proof<'_> {
    /// Burns that go the same way more often than passes are asked for.
    pub(super) fn repeats(&mut self) {
        let burns = &self.job.motion.burns;
        let mut same: BTreeMap<([[i64; 2]; 2], i64), Vec<u32>> = BTreeMap::new();
        for (i, b) in (0u32..).zip(burns) {
            let um = |v: f64| (v * 1e3).round() as i64;
            if let (Some(first), Some(last)) = (b.points.first(), b.points.last()) {
                let way = ([first.map(um), last.map(um)], um(b.length_mm()));
                same.entry(way).or_default().push(i);
            }
        }
        let passes = self.limits.passes as usize;
        let mut out = BTreeSet::new();
        for ways in same.values().filter(|w| w.len() > passes) {
            out.extend(self.surplus(ways, ways.len() - passes));
        }
        for &burn in &out {
            let mut finding = Finding::blocking(
                "cut-repeated",
                format!(
                    "the same cut is made again, more often than the {passes} passes asked for"
                ),
            );
            let segments = &self.cut.segments;
            let first = segments.partition_point(|s| s.owner < burn);
            if let Some(s) = segments.get(first) {
                finding = finding.at(s.b[0] / 1e3, s.b[1] / 1e3);
            }
            self.faults.push(finding, self.job.line(burn as usize, 0));
        }
        self.repeated = out;
    }

    /// Of burns that cut the same place, so many that are too much: those without a number of their own where others
    /// have one, then those of a pass that another made before, then the last.
    fn surplus(&self, burns: &[u32], count: usize) -> Vec<u32> {
        let mut numbers = BTreeSet::new();
        let numbered: Vec<bool> = (burns.iter())
            .map(|&i| (self.job.number_of(i as usize)).is_some_and(|n| numbers.insert(n)))
            .collect();
        let mut passes = BTreeSet::new();
        let mut ranked: Vec<(u8, Reverse<u32>)> = (burns.iter().zip(numbered))
            .map(|(&i, numbered)| {
                let copy = !numbered && !numbers.is_empty();
                let again = !copy && !passes.insert(self.job.motion.burns[i as usize].pass);
                let rank = if copy { 0 } else { 2 - u8::from(again) };
                (rank, Reverse(i))
            })
            .collect();
        ranked.sort_unstable();
        ranked.into_iter().take(count).map(|r| r.1.0).collect()
    }

    /// Line of the cut beside a place that is not among those found to cut it: the pass that missed it. First that of
    /// the same path in another pass, then the nearest.
    fn astray(&self, at: [f64; 2], found: &[u32]) -> Option<u32> {
        let reach = 3.0 * self.limits.radius_um + SEARCH_UM / 4.0;
        let name = |burn: u32| {
            let b = &self.job.motion.burns[burn as usize];
            (b.path, b.pass)
        };
        let names: Vec<(u32, u32)> = found.iter().map(|&b| name(b)).collect();
        let other = |burn: u32| {
            let (path, pass) = name(burn);
            names.iter().any(|n| n.0 == path) && !names.contains(&(path, pass))
        };
        let mut best: Option<(bool, f64, u32, u32)> = None;
        self.cut
            .near(at.map(|v| v - reach), at.map(|v| v + reach), |s| {
                let d = s.nearest(at).1;
                if d > reach || found.contains(&s.owner) {
                    return;
                }
                let elsewhere = !other(s.owner);
                if best.is_none_or(|b| (elsewhere, d) < (b.0, b.1)) {
                    best = Some((elsewhere, d, s.owner, s.index));
                }
            });
        let (_, _, owner, index) = best?;
        self.job.line(owner as usize, index as usize)
    }

    /// Ways away from all drawn edges, as those that clear an opening, that fewer passes go than are asked for.
    pub(super) fn inner_passes(&mut self, layer: &Layer) {
        let l = self.limits;
        if l.passes < 2 {
            return;
        }
        let far = l.radius_um + 2.0 * l.limit_um;
        let burns_at = |p: [f64; 2]| {
            let mut burns: Vec<u32> = Vec::new();
            let (lo, hi) = (p.map(|v| v - l.limit_um), p.map(|v| v + l.limit_um));
            self.cut.near(lo, hi, |s| {
                if s.nearest(p).1 <= l.limit_um && !burns.contains(&s.owner) {
                    burns.push(s.owner);
                }
            });
            burns
        };
        let seldom: Vec<([f64; 2], Vec<u32>)> = (self.cut.segments.par_iter())
            .filter(|s| s.length() > 0.0)
            .filter(|s| !(self.outline.as_ref()).is_some_and(|o| o.is_cut_by(s, l)))
            .filter_map(|s| {
                let p = s.at(0.5);
                if self.drawn.any_within(p, far) {
                    return None;
                }
                let burns = burns_at(p);
                (burns.len() < l.passes as usize).then_some((p, burns))
            })
            .collect();
        // Once for each set of burns is enough to say.
        let mut told: BTreeSet<Vec<u32>> = BTreeSet::new();
        for (at, burns) in seldom {
            if !told.insert(burns.clone()) {
                continue;
            }
            let line = self.astray(at, &burns).or_else(|| self.line_near(at));
            self.fault(layer, at, too_few(burns.len(), l.passes), line);
        }
    }

    /// Edges cut too seldom or too often. Repeats that were told of are not told again.
    pub(super) fn pass_counts(&mut self, results: &[RingResult], layer: &Layer) {
        // Bites of one cut overlap by their run-in.
        let overlap_um = (4.0 * self.recipe.run_in_um()).max(100.0);
        // Lines that meet in an opening hardly wider than the beam all pass along its edges.
        let few_um = 16.0 * self.limits.radius_um;
        for (ring, r) in results.iter().enumerate() {
            if r.samples == 0 {
                continue;
            }
            if let Some((at, found)) = &r.short_at {
                let at = *at;
                let line = (self.line_gone(ring, 0.0, r.length_um))
                    .or_else(|| self.astray(at, found))
                    .or_else(|| self.line_near(at));
                self.fault(layer, at, too_few(found.len(), self.limits.passes), line);
            }
            let Some(at) = r.extra_at else { continue };
            let most = (overlap_um + PIECE_UM).min((0.5 * r.length_um).max(few_um));
            let mut burns: Vec<u32> = (r.extra_burns.iter())
                .filter(|b| b.1 >= MOST_OF_IT * r.extra_um)
                .map(|b| b.0)
                .collect();
            if r.extra_um <= most || burns.iter().any(|b| self.repeated.contains(b)) {
                continue;
            }
            burns.sort_unstable();
            let line =
                (self.surplus(&burns, 1).first()).and_then(|burn| self.job.line(*burn as usize, 0));
            self.fault(
                layer,
                at,
                Finding::blocking(
                    "cut-repeated",
                    format!(
                        "cut more often than the {} passes asked for",
                        self.limits.passes
                    ),
                ),
                line,
            );
        }
    }
}
