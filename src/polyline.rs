//! Lengths along polylines; whatever the unit of the points is, the answer has it too.

/// Distance of two points.
pub fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    (dx * dx + dy * dy).sqrt()
}

/// Length of the way through the points.
pub fn length(points: &[[f64; 2]]) -> f64 {
    points.windows(2).map(|w| distance(w[0], w[1])).sum()
}

/// The point half way along; the only point of a polyline without length. `None` without points.
pub fn middle(points: &[[f64; 2]]) -> Option<[f64; 2]> {
    let mut left = length(points) / 2.0;
    for w in points.windows(2) {
        let d = distance(w[0], w[1]);
        if d > 0.0 && left <= d {
            let t = left / d;
            return Some([0, 1].map(|i| w[0][i] + t * (w[1][i] - w[0][i])));
        }
        left -= d;
    }
    points.first().copied()
}

/// The points of `points` between two lengths along it, ends interpolated.
pub fn part_of(points: &[[f64; 2]], from: f64, to: f64) -> Vec<[f64; 2]> {
    let mut walk = Walk {
        points,
        segment: 0,
        at: 0.0,
    };
    walk.part(from, to)
}

/// The polyline in `count` parts of equal length; takes one walk along it, however many parts there are.
pub fn in_parts(points: &[[f64; 2]], count: usize) -> Vec<Vec<[f64; 2]>> {
    let share = length(points) / count as f64;
    let mut walk = Walk {
        points,
        segment: 0,
        at: 0.0,
    };
    (0..count)
        .map(|n| walk.part(n as f64 * share, (n + 1) as f64 * share))
        .collect()
}

/// A walk along a polyline, and the length at which its present segment starts.
struct Walk<'a> {
    points: &'a [[f64; 2]],
    segment: usize,
    at: f64,
}

impl Walk<'_> {
    /// The part between two lengths; `from` is not less than that of the part before.
    fn part(&mut self, from: f64, to: f64) -> Vec<[f64; 2]> {
        let mut out = Vec::new();
        while let Some(w) = self.points.get(self.segment..self.segment + 2) {
            let (a, b) = (w[0], w[1]);
            let (at, len) = (self.at, distance(a, b));
            let end = at + len;
            let lerp = |s: f64| {
                let t = if len > 0.0 {
                    ((s - at) / len).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                if t <= 0.0 {
                    a
                } else if t >= 1.0 {
                    b
                } else {
                    [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]
                }
            };
            if at >= to {
                break;
            }
            if end > from {
                if out.is_empty() {
                    out.push(lerp(from));
                }
                let p = lerp(to);
                if out.last() != Some(&p) {
                    out.push(p);
                }
            }
            if end > to {
                // The next part starts on this segment.
                break;
            }
            self.segment += 1;
            self.at = end;
        }
        out
    }
}

/// The polyline without points that lie within `tolerance` of the way without them (Douglas & Peucker,
/// Cartographica 10:112, 1973). First and last points stay.
pub fn thinned(points: &[[f64; 2]], tolerance: f64) -> Vec<[f64; 2]> {
    let mut keep = vec![false; points.len()];
    if let Some(last) = points.len().checked_sub(1) {
        keep[0] = true;
        keep[last] = true;
        let mut open = vec![(0, last)];
        while let Some((from, to)) = open.pop() {
            let far = (from + 1..to)
                .map(|i| {
                    let off =
                        crate::regions::nearest_on_segment(points[i], points[from], points[to]).1;
                    (off, i)
                })
                .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
            if let Some((off, i)) = far
                && off > tolerance
            {
                keep[i] = true;
                open.push((from, i));
                open.push((i, to));
            }
        }
    }
    let kept = points.iter().zip(keep).filter(|p| p.1);
    kept.map(|p| *p.0).collect()
}
