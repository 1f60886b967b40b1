//! Nearest points, by a k-d tree in an array (Bentley 1975, Commun. ACM 18:509).

use rayon::prelude::*;

const LEAF: usize = 8;

/// A static tree over points; ids are indices into the slice it was built from.
pub struct Tree<'a> {
    points: &'a [[f64; 2]],
    /// Ids, so arranged that each subtree is a range whose middle splits it.
    ids: Vec<u32>,
    /// Split axis by middle of the range.
    axis: Vec<u8>,
}

impl<'a> Tree<'a> {
    /// A tree over those points named by `ids`.
    pub fn new(points: &'a [[f64; 2]], mut ids: Vec<u32>) -> Tree<'a> {
        let mut axis = vec![0u8; ids.len()];
        let mut ranges = vec![(0, ids.len())];
        while let Some((a, b)) = ranges.pop() {
            if b - a <= LEAF {
                continue;
            }
            let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
            for i in &ids[a..b] {
                let p = points[*i as usize];
                for k in 0..2 {
                    low[k] = low[k].min(p[k]);
                    high[k] = high[k].max(p[k]);
                }
            }
            let k = usize::from(high[1] - low[1] > high[0] - low[0]);
            let mid = a + (b - a) / 2;
            ids[a..b].select_nth_unstable_by(mid - a, |i, j| {
                points[*i as usize][k]
                    .total_cmp(&points[*j as usize][k])
                    .then(i.cmp(j))
            });
            axis[mid] = k as u8;
            ranges.push((a, mid));
            ranges.push((mid + 1, b));
        }
        Tree { points, ids, axis }
    }

    /// The `count` nearest points to `at` that `wanted` admits, nearest first, ties by id, as (squared distance, id).
    pub fn nearest(
        &self,
        at: [f64; 2],
        count: usize,
        wanted: impl Fn(u32) -> bool,
        found: &mut Vec<(f64, u32)>,
    ) {
        found.clear();
        if count > 0 {
            self.search(0, self.ids.len(), at, count, &wanted, found);
        }
    }

    fn search(
        &self,
        a: usize,
        b: usize,
        at: [f64; 2],
        count: usize,
        wanted: &impl Fn(u32) -> bool,
        found: &mut Vec<(f64, u32)>,
    ) {
        let offer = |id: u32, found: &mut Vec<(f64, u32)>| {
            let p = self.points[id as usize];
            let d = (p[0] - at[0]).powi(2) + (p[1] - at[1]).powi(2);
            let full = found.len() == count;
            if full && (d, id) >= found[count - 1] {
                return;
            }
            if !wanted(id) {
                return;
            }
            if full {
                found.pop();
            }
            let mut place = found.len();
            while place > 0 && found[place - 1] > (d, id) {
                place -= 1;
            }
            found.insert(place, (d, id));
        };
        if b - a <= LEAF {
            for id in &self.ids[a..b] {
                offer(*id, found);
            }
            return;
        }
        let mid = a + (b - a) / 2;
        let k = usize::from(self.axis[mid]);
        let gap = at[k] - self.points[self.ids[mid] as usize][k];
        let (first, second) = if gap < 0.0 {
            ((a, mid), (mid + 1, b))
        } else {
            ((mid + 1, b), (a, mid))
        };
        self.search(first.0, first.1, at, count, wanted, found);
        offer(self.ids[mid], found);
        if found.len() < count || gap * gap <= found[found.len() - 1].0 {
            self.search(second.0, second.1, at, count, wanted, found);
        }
    }
}

/// The quadrant of `to` seen from `from`: of the upright ones, and of those that lean by an eighth of a turn. A row of
/// points leaves two of the leaning ones empty, a cluster's corner three of the upright.
fn quadrants(from: [f64; 2], to: [f64; 2]) -> [usize; 2] {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    [
        usize::from(dx >= 0.0) * 2 + usize::from(dy >= 0.0),
        usize::from(dx >= dy) * 2 + usize::from(dx >= -dy),
    ]
}

/// Quadrants, upright and leaning, in which none of `found` lies, where these lie to one side: a cluster's edge.
/// Two empty quadrants at least, or every point of a sheet's rim would search in vain.
fn empty_quadrants(points: &[[f64; 2]], at: [f64; 2], found: &[(f64, u32)]) -> [[bool; 4]; 2] {
    let mut empty = [[true; 4]; 2];
    for (_, id) in found {
        for (empty, q) in empty.iter_mut().zip(quadrants(at, points[*id as usize])) {
            empty[q] = false;
        }
    }
    empty.map(|e| {
        if e.iter().filter(|e| **e).count() >= 2 {
            e
        } else {
            [false; 4]
        }
    })
}

/// Adds the first of `more`, which are sorted and begin with those `found`, in each quadrant `wanted`.
fn across_the_gap(
    points: &[[f64; 2]],
    at: [f64; 2],
    mut wanted: [[bool; 4]; 2],
    more: &[(f64, u32)],
    found: &mut Vec<(f64, u32)>,
) {
    for near in &more[found.len().min(more.len())..] {
        let mut add = false;
        for (wanted, q) in wanted
            .iter_mut()
            .zip(quadrants(at, points[near.1 as usize]))
        {
            add |= std::mem::take(&mut wanted[q]);
        }
        if add {
            found.push(*near);
        }
    }
}

/// Neighbours of every point, flat.
pub struct Neighbours {
    ends: Vec<u32>,
    ids: Vec<u32>,
}

impl Neighbours {
    /// For each point: its `nearest` nearest, and the nearest of every quadrant that
    /// these leave empty while the cloud is clustered, of the `leaning` ones too if asked for; nearest first.
    pub fn new(points: &[[f64; 2]], nearest: usize, leaning: bool) -> Neighbours {
        let tree = Tree::new(points, (0..points.len() as u32).collect());
        let chunks: Vec<Vec<Vec<u32>>> = points
            .par_chunks(1024)
            .enumerate()
            .map(|(chunk, part)| {
                let (mut found, mut more) = (Vec::new(), Vec::new());
                part.iter()
                    .enumerate()
                    .map(|(i, p)| {
                        let me = (chunk * 1024 + i) as u32;
                        tree.nearest(*p, nearest, |id| id != me, &mut found);
                        let mut wanted = empty_quadrants(points, *p, &found);
                        wanted[1] = wanted[1].map(|w| w && leaning);
                        if wanted != [[false; 4]; 2] {
                            tree.nearest(*p, 4 * nearest, |id| id != me, &mut more);
                            across_the_gap(points, *p, wanted, &more, &mut found);
                        }
                        found.iter().map(|(_, id)| *id).collect()
                    })
                    .collect()
            })
            .collect();
        let mut out = Neighbours {
            ends: Vec::with_capacity(points.len()),
            ids: Vec::with_capacity(points.len() * nearest),
        };
        for list in chunks.into_iter().flatten() {
            out.ids.extend(list);
            out.ends.push(out.ids.len() as u32);
        }
        out
    }

    /// One more point, without neighbours.
    pub fn push_lonely(&mut self) {
        self.ends.push(self.ids.len() as u32);
    }
    pub fn range(&self, i: u32) -> std::ops::Range<usize> {
        let i = i as usize;
        let start = if i == 0 { 0 } else { self.ends[i - 1] };
        start as usize..self.ends[i] as usize
    }
    pub fn id(&self, k: usize) -> u32 {
        self.ids[k]
    }
    pub fn of(&self, i: u32) -> &[u32] {
        &self.ids[self.range(i)]
    }
}
