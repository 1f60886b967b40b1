//! Segments packed into a tree that is built once.

use static_aabb2d_index::{AABB, StaticAABB2DIndex, StaticAABB2DIndexBuilder};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// What lies along a straight line between two ends.
pub trait Ends {
    fn ends(&self) -> ([f64; 2], [f64; 2]);
}

/// Segments, for searches by place.
#[derive(Debug)]
pub struct Packed<T> {
    items: Vec<T>,
    index: StaticAABB2DIndex<f64>,
}

/// The least and the greatest mark of each segment and below each node of a tree.
#[derive(Debug)]
pub struct Marks(Vec<[u32; 2]>);

impl<T: Ends> Packed<T> {
    pub fn new(items: Vec<T>) -> Self {
        let mut boxes = StaticAABB2DIndexBuilder::new(items.len());
        for item in &items {
            let [low, high] = box_of(item.ends());
            boxes.add(low[0], low[1], high[0], high[1]);
        }
        let index = boxes.build().expect("as many boxes as announced");
        Packed { items, index }
    }

    /// Segments whose box touches the given box.
    pub fn in_box(&self, min: [f64; 2], max: [f64; 2]) -> impl Iterator<Item = &T> {
        self.index
            .query_iter(min[0], min[1], max[0], max[1])
            .map(|i| &self.items[i])
    }

    /// Segments whose box touches that of a line.
    pub fn in_box_of(&self, line: ([f64; 2], [f64; 2])) -> impl Iterator<Item = &T> {
        let [low, high] = box_of(line);
        self.in_box(low, high)
    }

    /// Segments at most so far from `p`.
    pub fn within(&self, p: [f64; 2], radius: f64) -> impl Iterator<Item = &T> {
        self.in_box(
            [p[0] - radius, p[1] - radius],
            [p[0] + radius, p[1] + radius],
        )
        .filter(move |item| square_to(*item, p) <= radius * radius)
    }

    /// The nearest segment, of equally near ones the first.
    pub fn nearest(&self, p: [f64; 2]) -> Option<&T> {
        self.search(p, |_| false)
    }

    /// The nearest segment whose mark does not lie between the two in `hidden`. Nodes below which all marks do are
    /// passed over as a whole.
    pub fn nearest_beyond(&self, p: [f64; 2], marks: &Marks, hidden: [u32; 2]) -> Option<&T> {
        self.search(p, |node| {
            let [least, greatest] = marks.0[node];
            hidden[0] <= least && greatest <= hidden[1]
        })
    }

    /// The nearest segment with the mark.
    pub fn nearest_marked(&self, p: [f64; 2], marks: &Marks, mark: u32) -> Option<&T> {
        self.search(p, |node| {
            let [least, greatest] = marks.0[node];
            mark < least || greatest < mark
        })
    }

    /// Marks for the searches.
    pub fn marks(&self, mark: impl Fn(&T) -> u32) -> Marks {
        let below = self.index.all_box_indices();
        let mut marks: Vec<[u32; 2]> = Vec::with_capacity(below.len());
        for (node, &first) in below.iter().enumerate() {
            marks.push(if node < self.items.len() {
                [mark(&self.items[first]); 2]
            } else {
                // Levels are stored from the bottom up.
                marks[self.children(first)]
                    .iter()
                    .fold([u32::MAX, 0], |m, c| [m[0].min(c[0]), m[1].max(c[1])])
            });
        }
        Marks(marks)
    }

    /// Boxes of the node whose first child is given.
    fn children(&self, first: usize) -> std::ops::Range<usize> {
        let levels = self.index.level_bounds();
        let level = levels.partition_point(|&end| end <= first);
        first..(first + self.index.node_size()).min(levels[level])
    }

    /// The nearest segment of those that are not `passed` over, nor any node above them.
    fn search(&self, p: [f64; 2], mut passed: impl FnMut(usize) -> bool) -> Option<&T> {
        if self.items.is_empty() {
            return None;
        }
        let (boxes, below) = (self.index.all_boxes(), self.index.all_box_indices());
        // Nodes by the square of their distance: positive numbers are ordered as their bits are.
        let mut open = BinaryHeap::from([Reverse((0u64, boxes.len() - 1))]);
        let mut best = (f64::INFINITY, usize::MAX);
        while let Some(Reverse((square, node))) = open.pop() {
            if f64::from_bits(square) > best.0 {
                break;
            }
            for child in self.children(below[node]) {
                let square = square_to_box(&boxes[child], p);
                if square > best.0 {
                    continue;
                }
                if child >= self.items.len() {
                    if !passed(child) {
                        open.push(Reverse((square.to_bits(), child)));
                    }
                    continue;
                }
                let i = below[child];
                let found = (square_to(&self.items[i], p), i);
                if found < best && !passed(child) {
                    best = found;
                }
            }
        }
        self.items.get(best.1)
    }

    /// Segments from the nearest on, of equally near ones the first first.
    pub fn from_nearest(&self, p: [f64; 2]) -> impl Iterator<Item = &T> {
        let (boxes, below) = (self.index.all_boxes(), self.index.all_box_indices());
        let mut open = BinaryHeap::new();
        // Whether it is a segment is told second, so that nodes come before segments as near.
        if !self.items.is_empty() {
            open.push(Reverse((0u64, false, boxes.len() - 1)));
        }
        std::iter::from_fn(move || {
            while let Some(Reverse((_, is_item, at))) = open.pop() {
                if is_item {
                    return Some(&self.items[at]);
                }
                for child in self.children(below[at]) {
                    if child < self.items.len() {
                        let i = below[child];
                        let square = square_to(&self.items[i], p);
                        open.push(Reverse((square.to_bits(), true, i)));
                    } else {
                        let square = square_to_box(&boxes[child], p);
                        open.push(Reverse((square.to_bits(), false, child)));
                    }
                }
            }
            None
        })
    }
}

fn box_of((a, b): ([f64; 2], [f64; 2])) -> [[f64; 2]; 2] {
    [
        [a[0].min(b[0]), a[1].min(b[1])],
        [a[0].max(b[0]), a[1].max(b[1])],
    ]
}

/// The square of the distance to the box.
fn square_to_box(b: &AABB<f64>, p: [f64; 2]) -> f64 {
    let dx = (b.min_x - p[0]).max(p[0] - b.max_x).max(0.0);
    let dy = (b.min_y - p[1]).max(p[1] - b.max_y).max(0.0);
    dx * dx + dy * dy
}

/// The square of the distance to the segment.
fn square_to(item: &impl Ends, p: [f64; 2]) -> f64 {
    let (a, b) = item.ends();
    let q = super::measure::nearest_on_segment(p, a, b).0;
    let (dx, dy) = (p[0] - q[0], p[1] - q[1]);
    dx * dx + dy * dy
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Dash([f64; 2], u32);

    impl Ends for Dash {
        fn ends(&self) -> ([f64; 2], [f64; 2]) {
            (self.0, [self.0[0] + 0.5, self.0[1]])
        }
    }

    #[test]
    fn a_hidden_crowd_is_passed_over_as_a_whole() {
        let side = 200;
        let crowd = (0..side * side).map(|i| [f64::from(i % side), f64::from(i / side)]);
        let mut dashes: Vec<Dash> = (1..).zip(crowd).map(|(mark, at)| Dash(at, mark)).collect();
        dashes.push(Dash([-30.0, 7.0], 0));
        let hidden = [1, side as u32 * side as u32];
        let tree = Packed::new(dashes);
        let marks = tree.marks(|dash| dash.1);
        let middle = [100.0, 100.0];
        let mut looks = 0;
        let found = tree.search(middle, |node| {
            looks += 1;
            let [least, greatest] = marks.0[node];
            hidden[0] <= least && greatest <= hidden[1]
        });
        assert_eq!(found.map(|dash| dash.1), Some(0));
        assert!(looks < 200, "{looks} looks");
        let found = tree.nearest_beyond(middle, &marks, hidden);
        assert_eq!(found.map(|dash| dash.1), Some(0));
        let found = tree.nearest_marked(middle, &marks, 5);
        assert_eq!(found.map(|dash| dash.0), Some([4.0, 0.0]));
    }

    #[test]
    fn segments_come_from_the_nearest_on() {
        let dashes = (0..500).map(|i| Dash([f64::from(i * 37 % 500), f64::from(i % 7)], i as u32));
        let tree = Packed::new(dashes.collect());
        let p = [250.2, 3.0];
        let far: Vec<f64> = tree
            .from_nearest(p)
            .map(|dash| square_to(dash, p))
            .collect();
        assert_eq!(far.len(), 500);
        assert!(far.is_sorted());
        let nearest = tree.nearest(p).map(|dash| square_to(dash, p));
        assert_eq!(nearest, far.first().copied());
        let near = far.iter().filter(|&&square| square <= 100.0).count();
        assert_eq!(tree.within(p, 10.0).count(), near);
    }
}
