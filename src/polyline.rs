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

/// As [`part_of`] for many parts, each given by its two lengths; takes one walk along the whole, however many.
pub fn parts_of(points: &[[f64; 2]], parts: &[[f64; 2]]) -> Vec<Vec<[f64; 2]>> {
    // The length at which each segment ends.
    let mut at = 0.0;
    let ends: Vec<f64> = points
        .windows(2)
        .map(|w| {
            at += distance(w[0], w[1]);
            at
        })
        .collect();
    let part = |&[from, to]: &[f64; 2]| {
        let segment = ends.partition_point(|end| *end <= from);
        let at = if segment == 0 { 0.0 } else { ends[segment - 1] };
        let mut walk = Walk {
            points,
            segment,
            at,
        };
        walk.part(from, to)
    };
    parts.iter().map(part).collect()
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

/// The polyline without points that lie within `tolerance` of the way without them, in one walk: from each point
/// kept as far as a straight line still passes all points between (cone intersection, Williams, Cartographic
/// Journal 15:25, 1978). First and last points stay.
pub fn thinned(points: &[[f64; 2]], tolerance: f64) -> Vec<[f64; 2]> {
    let [first, rest @ ..] = points else {
        return Vec::new();
    };
    let cross = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    let mut kept = vec![*first];
    let (mut from, mut last) = (*first, *first);
    // The directions from `from` that pass everything since, from the right to the left, and how far it reached.
    let mut cone: Option<[[f64; 2]; 2]> = None;
    let mut reach = 0.0;
    for &p in rest {
        let way = |from: [f64; 2]| {
            let gone = [p[0] - from[0], p[1] - from[1]];
            (gone, gone[0].hypot(gone[1]))
        };
        let (mut gone, mut far) = way(from);
        let passes = |[right, left]: [[f64; 2]; 2]| {
            far >= reach && cross(right, gone) >= 0.0 && cross(gone, left) >= 0.0
        };
        if !cone.is_none_or(passes) {
            kept.push(last);
            (from, cone, reach) = (last, None, 0.0);
            (gone, far) = way(from);
        }
        last = p;
        if far > tolerance {
            let (sine, ahead) = (tolerance / far, [gone[0] / far, gone[1] / far]);
            let cosine = (1.0 - sine * sine).sqrt();
            let turned = |s: f64| {
                [
                    ahead[0] * cosine - ahead[1] * s,
                    ahead[0] * s + ahead[1] * cosine,
                ]
            };
            let [right, left] = [turned(-sine), turned(sine)];
            cone = Some(match cone {
                None => [right, left],
                Some([r, l]) => [
                    if cross(r, right) > 0.0 { right } else { r },
                    if cross(left, l) > 0.0 { left } else { l },
                ],
            });
            reach = far;
        }
    }
    if !rest.is_empty() {
        kept.push(last);
    }
    kept
}
