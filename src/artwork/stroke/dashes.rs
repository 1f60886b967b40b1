//! Dashes: a flattened line cut into parts by length.

use super::{Line, Node, unit};

/// So much finer are curves flattened that are dashed: at 0.05 um the last dash round a circle of 2.6 mm lies 0.7 um off.
const FINER: f64 = 8.0;

/// The tolerance of flattening a line that is to be dashed and may be `tolerance` off: dashes are measured along the
/// chords, which are shorter than the curve.
pub(super) fn tolerance(tolerance: f64) -> f64 {
    tolerance / FINER
}

/// Cuts a line into dashes by length; `None` where there are more than `most`.
pub(super) fn part(line: &Line, pattern: &[f64], offset: f64, most: usize) -> Option<Vec<Line>> {
    let total: f64 = pattern.iter().sum();
    if !(total > 0.0 && total.is_finite()) || line.is_dot() {
        return Some(vec![line.clone()]);
    }
    let mut into = offset.rem_euclid(total);
    let mut index = 0;
    // A dash without length at the very start stays: with caps it is a dot.
    while into > pattern[index] || (into == pattern[index] && pattern[index] > 0.0) {
        into -= pattern[index];
        index = (index + 1) % pattern.len();
    }
    let mut left = pattern[index] - into;
    let mut on = index % 2 == 0;
    let mut out: Vec<Line> = Vec::new();
    let mut current = Line::default();
    let n = line.points.len();
    let edges = if line.closed { n } else { n - 1 };
    if on {
        current.points.push(line.points[0]);
    }
    let starts_on = on;
    for i in 0..edges {
        let (from, to) = (line.points[i], line.points[(i + 1) % n]);
        let length = (to.at[0] - from.at[0]).hypot(to.at[1] - from.at[1]);
        let direction = unit(from.at, to.at).unwrap_or([1.0, 0.0]);
        let mut done = 0.0;
        while length - done > left {
            done += left;
            let at = [
                from.at[0] + direction[0] * done,
                from.at[1] + direction[1] * done,
            ];
            // Ends lie across the curve, not across the chord.
            let way = match (from.leaves, to.arrives) {
                (Some(u), Some(w)) => {
                    let t = done / length;
                    let between = [0, 1].map(|d| u[d] + t * (w[d] - u[d]));
                    unit([0.0; 2], between).unwrap_or(direction)
                }
                _ => direction,
            };
            let node = Node {
                at,
                arrives: Some(way),
                leaves: Some(way),
                corner: false,
            };
            if on {
                current.points.push(node);
                out.push(std::mem::take(&mut current));
            } else {
                current.points.push(node);
            }
            on = !on;
            index = (index + 1) % pattern.len();
            left = pattern[index];
            if out.len() >= most {
                return None;
            }
        }
        left -= length - done;
        if on {
            current.points.push(to);
        }
    }
    if on && current.points.len() > 1 {
        // A closed line whose first and last dash meet carries on through its start.
        if line.closed && starts_on && !out.is_empty() {
            let first = std::mem::take(&mut out[0]);
            current.points.pop();
            current.points.extend(first.points);
            out[0] = current;
        } else if line.closed && starts_on {
            return Some(vec![line.clone()]);
        } else {
            out.push(current);
        }
    }
    Some(out)
}
