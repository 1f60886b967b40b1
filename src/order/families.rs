//! Families: contours and those they enclose. Small families travel as one; a large parent is put
//! into the finished tour after its last child.

use super::tour::layers::Way;
use super::tour::length;
use super::travel::{mm, some_starts};
use crate::kerf::Contour;

const NONE: u32 = u32::MAX;
/// Most members of a family that travels as one.
const MOST_MEMBERS: u32 = 16;
/// Widest family that travels as one, in mean spacings of the families.
const WIDEST: f64 = 1.5;
/// Points of a large parent tried at each place.
const TRIED_POINTS: usize = 32;
/// Places tried for all large parents together.
const MOST_PLACES: usize = 4_000_000;

/// Who encloses whom, without circles.
pub struct Families {
    parents: Vec<Option<u32>>,
    /// Children of all contours, flat, in order of index.
    first: Vec<u32>,
    children: Vec<u32>,
    /// Inner before outer.
    inner_first: Vec<u32>,
}

/// Contours that travel as one: inner before outer, the root last.
pub struct Unit {
    pub root: u32,
    pub members: Vec<u32>,
}

impl Families {
    pub fn new(contours: &[Contour]) -> Families {
        let n = contours.len();
        let mut parents: Vec<Option<u32>> = contours
            .iter()
            .enumerate()
            .map(|(i, c)| c.parent.filter(|p| (*p as usize) < n && *p as usize != i))
            .collect();
        let mut waiting = vec![0u32; n];
        for p in parents.iter().flatten() {
            waiting[*p as usize] += 1;
        }
        let mut inner_first: Vec<u32> = (0..n as u32)
            .filter(|i| waiting[*i as usize] == 0)
            .collect();
        let mut done = 0;
        while done < inner_first.len() {
            if let Some(p) = parents[inner_first[done] as usize] {
                waiting[p as usize] -= 1;
                if waiting[p as usize] == 0 {
                    inner_first.push(p);
                }
            }
            done += 1;
        }
        if inner_first.len() < n {
            // What is left goes round in circles.
            for (i, w) in waiting.iter().enumerate() {
                if *w > 0 {
                    parents[i] = None;
                }
            }
            let left: Vec<u32> = (0..n as u32).filter(|i| waiting[*i as usize] > 0).collect();
            inner_first.extend(left);
        }
        let mut first = vec![0u32; n + 1];
        for p in parents.iter().flatten() {
            first[*p as usize + 1] += 1;
        }
        for i in 0..n {
            first[i + 1] += first[i];
        }
        let mut fill = first.clone();
        let mut children = vec![0; first[n] as usize];
        for (i, p) in parents.iter().enumerate() {
            if let Some(p) = p {
                children[fill[*p as usize] as usize] = i as u32;
                fill[*p as usize] += 1;
            }
        }
        Families {
            parents,
            first,
            children,
            inner_first,
        }
    }

    pub fn parents(&self) -> &[Option<u32>] {
        &self.parents
    }
    pub fn roots(&self) -> impl Iterator<Item = u32> + '_ {
        (0..self.parents.len() as u32).filter(|i| self.parents[*i as usize].is_none())
    }
    fn children_of(&self, c: u32) -> &[u32] {
        &self.children[self.first[c as usize] as usize..self.first[c as usize + 1] as usize]
    }
    /// Calls `visit` with `root` and all it encloses, inner before outer.
    pub fn visit_inner_first(&self, root: u32, mut visit: impl FnMut(u32)) {
        let mut stack = vec![(root, false)];
        while let Some((c, expanded)) = stack.pop() {
            if expanded {
                visit(c);
            } else {
                stack.push((c, true));
                stack.extend(self.children_of(c).iter().rev().map(|k| (*k, false)));
            }
        }
    }

    /// Splits into units and large parents (inner before outer).
    pub fn units(&self, contours: &[Contour]) -> (Vec<Unit>, Vec<u32>) {
        let n = contours.len();
        let mut members = vec![1u32; n];
        let mut boxes: Vec<[f64; 4]> = contours.iter().map(bounds).collect();
        for c in &self.inner_first {
            if let Some(p) = self.parents[*c as usize] {
                members[p as usize] += members[*c as usize];
                let inner = boxes[*c as usize];
                join(&mut boxes[p as usize], inner);
            }
        }
        let mut whole = [
            f64::INFINITY,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::NEG_INFINITY,
        ];
        for b in &boxes {
            join(&mut whole, *b);
        }
        let leaves = (0..n as u32)
            .filter(|c| self.children_of(*c).is_empty())
            .count();
        let area = (whole[2] - whole[0]) * (whole[3] - whole[1]);
        let spacing = (area / leaves.max(1) as f64).sqrt();
        let (mut units, mut is_large) = (Vec::new(), vec![false; n]);
        let mut stack: Vec<u32> = self.roots().collect();
        stack.reverse();
        while let Some(c) = stack.pop() {
            let b = boxes[c as usize];
            let wide = (b[2] - b[0]).max(b[3] - b[1]) > WIDEST * spacing;
            let count = members[c as usize];
            if count > 1 && (wide || count > MOST_MEMBERS) {
                is_large[c as usize] = true;
                stack.extend(self.children_of(c).iter().rev());
            } else {
                let mut unit = Unit {
                    root: c,
                    members: Vec::with_capacity(count as usize),
                };
                self.visit_inner_first(c, |m| unit.members.push(m));
                units.push(unit);
            }
        }
        let large = self
            .inner_first
            .iter()
            .copied()
            .filter(|c| is_large[*c as usize])
            .collect();
        (units, large)
    }

    /// Puts the large parents into the tour of units, each where it costs least after its last child;
    /// the added travel, and all contours in order.
    pub fn insert_large(
        &self,
        contours: &[Contour],
        units: &[Unit],
        placed: &[(u32, Way)],
        large: &[u32],
    ) -> (f64, Vec<u32>) {
        // Where each contour stands: behind which unit of the tour.
        let mut slot = vec![NONE; contours.len()];
        for (i, (unit, _)) in placed.iter().enumerate() {
            slot[units[*unit as usize].root as usize] = i as u32;
        }
        let mut behind: Vec<Vec<u32>> = vec![Vec::new(); placed.len()];
        let mut leave: Vec<[f64; 2]> = placed.iter().map(|(_, w)| w.leave).collect();
        let budget = (MOST_PLACES / large.len().max(1)).max(16);
        let mut extra = 0.0;
        for p in large {
            let contour = &contours[*p as usize];
            let ends: Vec<([f64; 2], [f64; 2])> = if contour.closed {
                let starts = some_starts(contour, TRIED_POINTS);
                starts
                    .iter()
                    .map(|v| (mm(contour, *v), mm(contour, *v)))
                    .collect()
            } else {
                let (a, b) = (
                    mm(contour, 0),
                    mm(contour, contour.points.len().max(1) as u32 - 1),
                );
                vec![(a, b), (b, a)]
            };
            let earliest = self
                .children_of(*p)
                .iter()
                .map(|c| slot[*c as usize])
                .max()
                .unwrap_or(0) as usize;
            let mut best = (f64::INFINITY, earliest, [0.0; 2]);
            // The end of the tour costs one jump only, so it is always tried.
            let last = placed.len().saturating_sub(1);
            let places = (earliest..placed.len()).take(budget).chain([last]);
            for s in places {
                for (enter, exit) in &ends {
                    let mut cost = length(leave[s], *enter);
                    if let Some((_, next)) = placed.get(s + 1) {
                        cost += length(*exit, next.enter) - length(leave[s], next.enter);
                    }
                    if cost < best.0 {
                        best = (cost, s, *exit);
                    }
                }
            }
            extra += best.0;
            slot[*p as usize] = best.1 as u32;
            behind[best.1].push(*p);
            leave[best.1] = best.2;
        }
        let mut order = Vec::with_capacity(contours.len());
        for (i, (unit, _)) in placed.iter().enumerate() {
            order.extend(&units[*unit as usize].members);
            order.extend(&behind[i]);
        }
        (extra, order)
    }
}

fn bounds(contour: &Contour) -> [f64; 4] {
    let mut b = [
        f64::INFINITY,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::NEG_INFINITY,
    ];
    for p in &contour.points {
        let (x, y) = (f64::from(p.x) * 1e-6, f64::from(p.y) * 1e-6);
        join(&mut b, [x, y, x, y]);
    }
    b
}

fn join(a: &mut [f64; 4], b: [f64; 4]) {
    a[0] = a[0].min(b[0]);
    a[1] = a[1].min(b[1]);
    a[2] = a[2].max(b[2]);
    a[3] = a[3].max(b[3]);
}
