//! Reads `plan.json`: paths and steps, strung together in time.

use super::count::Counted;
use super::dialect::Clock;
use super::names::Said;
use super::{Dialect, Faults, MAX_POINTS, ReadError, ReadJob};
use crate::finding::Finding;
use crate::job::plan::{Plan, SCHEMA, Step};
use crate::motion::Burn;
use std::collections::BTreeMap;

/// Least speed, mm/s, and power, W or percent, of a plan.
const LEAST: f64 = 1e-6;

pub(super) fn read(text: &str, dialect: &Dialect) -> Result<ReadJob, ReadError> {
    let not_at = |line: Option<u32>, why: String| ReadError::NotAJob {
        expected: "a plan.json",
        why,
        line,
    };
    let not = |why: String| not_at(None, why);
    let plan: Plan =
        serde_json::from_str(text).map_err(|e| not_at(Some(e.line() as u32), e.to_string()))?;
    if plan.schema != SCHEMA {
        return Err(not(format!(
            "its schema is `{}`, not `{SCHEMA}`",
            plan.schema
        )));
    }
    let mut faults = Faults::default();
    let mut clock = Clock::default();
    let s = &plan.settings;
    // Slower than a nanometre a second, or weaker, is no machine; and times stay finite.
    let positive = |v: f64| v.is_finite() && v >= LEAST;
    let own = plan
        .paths
        .iter()
        .flat_map(|p| [p.power_percent, p.cut_speed_mm_s])
        .flatten();
    if ![
        s.cut_speed_mm_s,
        s.jump_speed_mm_s,
        s.rated_power_w,
        s.power_percent,
    ]
    .into_iter()
    .chain(own)
    .all(positive)
    {
        return Err(not(format!("speeds and powers must be at least {LEAST}")));
    }
    if !plan.sheet_mm.iter().all(|v| v.abs() < 1e4)
        || plan.sheet_mm[0] >= plan.sheet_mm[2]
        || plan.sheet_mm[1] >= plan.sheet_mm[3]
    {
        return Err(not("sheet_mm is no sheet".into()));
    }
    let (mut at, mut beam_at): (Option<[f64; 2]>, Option<[f64; 2]>) = (None, None);
    let lengths_mm: Vec<f64> = (plan.paths.iter())
        .map(|p| crate::polyline::length(&p.points))
        .collect();
    // Jumps that nothing is cut after, and the last jump while that is open.
    let (mut idle, mut jumped) = (Vec::new(), None);
    let mut counted = Vec::new();
    paths(&plan, dialect, &mut faults);
    for (i, step) in plan.steps.iter().enumerate() {
        let n = i as u32 + 1;
        match step {
            Step::Jump { to } => {
                if !place(to, dialect, n, &mut faults) {
                    continue;
                }
                clock.time_s += dialect.jump_s(at, *to);
                at = Some(*to);
                beam_at = at;
                idle.extend(jumped.replace((*to, n)));
            }
            Step::Dwell { seconds, .. } => {
                if *seconds >= 0.0 && seconds.is_finite() {
                    faults.long_dwell(n, *seconds, "are the seconds of this step milliseconds?");
                    clock.dwell(*seconds);
                } else {
                    faults.blocking(
                        n,
                        "dwell-negative",
                        format!("step {n}: a pause of {seconds} s"),
                    );
                }
            }
            Step::Cut {
                path,
                pass,
                from_mm,
                to_mm,
                count,
            } => {
                counted.extend(count.map(|c| Counted {
                    cut: c.cut,
                    of: c.of,
                    line: n,
                    burn: clock.motion.burns.len(),
                }));
                let Some(p) = plan.paths.get(*path as usize) else {
                    faults.blocking(
                        n,
                        "unreadable",
                        format!("step {n}: there is no path {path}"),
                    );
                    continue;
                };
                let length_mm = lengths_mm[*path as usize];
                if *from_mm < -1e-6 || *to_mm > length_mm + 1e-3 {
                    faults.blocking(
                        n,
                        "cut-beyond",
                        format!(
                            "step {n}: cut from {from_mm} to {to_mm} mm; path {path} is {length_mm:.4} mm long"
                        ),
                    );
                }
                if *pass == 0 || (plan.clearing.is_empty() && *pass > s.passes) {
                    faults.blocking(
                        n,
                        "pass-unknown",
                        format!("step {n}: pass {pass} of {}", s.passes),
                    );
                }
                let points = stretch(&p.points, *from_mm, *to_mm);
                if points.len() < 2 {
                    faults.blocking(
                        n,
                        "unreadable",
                        format!("step {n}: nothing of path {path} is cut"),
                    );
                    continue;
                }
                if points.iter().any(|q| !place(q, dialect, n, &mut faults)) {
                    continue;
                }
                let apart = beam_at.is_none_or(|b| crate::polyline::distance(b, points[0]) > 1e-6);
                if apart {
                    faults.blocking(
                        n,
                        "beam-on-jump",
                        format!("step {n}: a cut that starts where no jump led"),
                    );
                }
                at = points.last().copied();
                beam_at = at;
                let lines = vec![n; points.len()];
                let burn = Burn {
                    points,
                    start_s: clock.time_s,
                    speed_mm_s: plan.speed_mm_s(*path),
                    power_w: s.rated_power_w * plan.power_percent(*path) / 100.0,
                    path: *path,
                    pass: *pass,
                };
                clock.burn(burn, lines, Said::of(*path, *pass));
                jumped = None;
                if clock.points > MAX_POINTS {
                    return Err(ReadError::TooLarge { limit: MAX_POINTS });
                }
            }
        }
    }
    let mut stated = BTreeMap::from([
        ("kerf_um".to_owned(), s.kerf_um.to_string()),
        ("passes".to_owned(), s.passes.to_string()),
        (
            "material".to_owned(),
            format!("{} {} um", s.material, s.thickness_um),
        ),
        ("laser_side".to_owned(), s.laser_side.clone()),
        ("layer".to_owned(), plan.layer.clone()),
        (
            "sheet_mm".to_owned(),
            plan.sheet_mm.map(|v| v.to_string()).join(" "),
        ),
    ]);
    if let Some(bars) = plan.tie_bars {
        stated.insert("tie_bars".to_owned(), bars.to_string());
    }
    clock.name();
    let mut motion = clock.motion;
    motion.sheet_mm = plan.sheet_mm;
    motion.end_s = clock.time_s;
    Ok(ReadJob {
        stated,
        motion,
        lines: clock.lines,
        idle: idle.into_iter().chain(jumped).collect(),
        counted,
        last_line: plan.steps.len() as u32,
        faults,
    })
}

/// Places of paths beyond what is cut of them must be places of the field too: a path is as long as they make it.
fn paths(plan: &Plan, dialect: &Dialect, faults: &mut Faults) {
    let mut first: BTreeMap<u32, u32> = BTreeMap::new();
    for (step, n) in plan.steps.iter().zip(1..) {
        if let Step::Cut { path, .. } = step {
            first.entry(*path).or_insert(n);
        }
    }
    for (path, number) in plan.paths.iter().zip(0..) {
        let Some(p) = path.points.iter().find(|p| !dialect.reaches(**p)) else {
            continue;
        };
        let message = format!(
            "path {number}: its point ({:.4}, {:.4}) mm lies outside the field",
            p[0], p[1]
        );
        faults.push(
            Finding::blocking("outside-field", message),
            first.get(&number).copied(),
        );
    }
}

/// Checks a place; `false` when it is no number at all.
fn place(p: &[f64; 2], dialect: &Dialect, n: u32, faults: &mut Faults) -> bool {
    if !p.iter().all(|v| v.abs() < 1e6) {
        faults.blocking(
            n,
            "unreadable",
            format!("step {n}: a coordinate that is no length"),
        );
        return false;
    }
    if !dialect.reaches(*p) {
        faults.blocking(
            n,
            "outside-field",
            format!(
                "step {n}: ({:.4}, {:.4}) mm lies outside the field",
                p[0], p[1]
            ),
        );
    }
    true
}

/// The part of a path between two lengths along it.
fn stretch(points: &[[f64; 2]], from: f64, to: f64) -> Vec<[f64; 2]> {
    let mut out: Vec<[f64; 2]> = Vec::new();
    let mut at = 0.0;
    for w in points.windows(2) {
        let l = crate::polyline::distance(w[0], w[1]);
        let (a, b) = ((from - at) / l, (to - at) / l);
        at += l;
        if !(l > 0.0 && b > 0.0 && a < 1.0 && a < b) {
            continue;
        }
        let point = |t: f64| {
            if t <= 0.0 {
                w[0]
            } else if t >= 1.0 {
                w[1]
            } else {
                [
                    w[0][0] + t * (w[1][0] - w[0][0]),
                    w[0][1] + t * (w[1][1] - w[0][1]),
                ]
            }
        };
        if out.is_empty() {
            out.push(point(a));
        }
        let end = point(b);
        if out.last() != Some(&end) {
            out.push(end);
        }
    }
    out
}
