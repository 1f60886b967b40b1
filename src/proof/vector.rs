//! Reads `.cut.svg`: one path per cut in the order of cutting.
//!
//! The format carries no speed and no pauses; both come from the recipe.

use super::dialect::Clock;
use super::names::Said;
use super::{Dialect, Faults, MAX_POINTS, ReadError, ReadJob, last_line};
use crate::motion::Burn;
use kurbo::{BezPath, PathEl, Point};
use std::collections::BTreeMap;

pub(super) fn read(text: &str, dialect: &Dialect) -> Result<ReadJob, ReadError> {
    let not_at = |line: Option<u32>, why: String| ReadError::NotAJob {
        expected: "a .cut.svg",
        why,
        line,
    };
    let not = |why: String| not_at(None, why);
    crate::xml::check(text).map_err(|b| not_at(Some(b.line as u32), b.what))?;
    let options = roxmltree::ParsingOptions {
        allow_dtd: false,
        nodes_limit: 20_000_000,
        ..roxmltree::ParsingOptions::default()
    };
    let doc = roxmltree::Document::parse_with_options(text, options).map_err(|e| {
        use roxmltree::Error::{UnclosedRootNode, UnexpectedEndOfStream};
        // The library has no place for what is missing at the end.
        let line = match e {
            UnclosedRootNode | UnexpectedEndOfStream => last_line(text),
            _ => e.pos().row,
        };
        not_at(Some(line), e.to_string())
    })?;
    let root = doc.root_element();
    if root.tag_name().name() != "svg" {
        return Err(not(format!("its root is <{}>", root.tag_name().name())));
    }
    let length = |name: &str| {
        root.attribute(name)
            .and_then(|v| crate::units::parse_length_um(v).ok())
            .map(|um| um / 1e3)
            .filter(|v| *v > 0.0 && *v < 1e4)
    };
    let (Some(w), Some(h)) = (length("width"), length("height")) else {
        return Err(not(
            "width and height with units say how large the sheet is; they are missing".into(),
        ));
    };
    let view: Vec<f64> = root
        .attribute("viewBox")
        .unwrap_or_default()
        .split([' ', ','])
        .filter_map(|v| v.parse().ok())
        .collect();
    let [vx, vy, vw, vh] = <[f64; 4]>::try_from(view).unwrap_or([0.0, 0.0, w, h]);
    if !(vw > 0.0 && vh > 0.0 && vw < 1e9 && vh < 1e9 && (w / vw - h / vh).abs() < 1e-6 * w / vw) {
        return Err(not("its viewBox does not fit width and height".into()));
    }
    let scale = w / vw;
    let mut faults = Faults::default();
    let mut clock = Clock::default();
    let mut at = None;
    // The drawing has no frame of its own: the sheet's centre is zero, as in a centred field.
    let place = |x: f64, y: f64| [(x - vx) * scale - w / 2.0, h / 2.0 - (y - vy) * scale];
    let mut counted = Vec::new();
    // The XML library counts lines from the start of the text each time it is asked.
    let breaks: Vec<usize> = text.match_indices('\n').map(|m| m.0).collect();
    for node in doc.descendants().filter(roxmltree::Node::is_element) {
        let line = || 1 + breaks.partition_point(|&b| b < node.range().start) as u32;
        if node.attribute("transform").is_some() {
            faults.blocking(
                line(),
                "unsupported",
                "a transform; cuts are read as they stand",
            );
        }
        if node.tag_name().name() != "path" {
            continue;
        }
        let n = line();
        let d = node.attribute("d").unwrap_or_default();
        let path = match BezPath::from_svg(d) {
            Ok(path) => path,
            Err(e) => {
                faults.blocking(n, "unreadable", format!("path data: {e}"));
                continue;
            }
        };
        let number = |name: &str| node.attribute(name).and_then(|v| v.parse().ok());
        let said = Said {
            path: number("data-path"),
            pass: number("data-pass"),
        };
        let count = node.attribute("data-cut");
        let burn = clock.motion.burns.len();
        counted.extend(count.and_then(|v| super::count::read(v, n, burn)));
        let mut wild = far_out(&path, scale);
        let parts = if wild {
            Vec::new()
        } else {
            let most = MAX_POINTS - clock.points.min(MAX_POINTS);
            flat(&path, scale, most, place)?
        };
        for mut points in parts {
            points.dedup();
            wild |= points
                .iter()
                .flatten()
                .any(|v| v.abs() >= 1e6 || v.is_nan());
            if points.len() < 2 || wild {
                continue;
            }
            clock.time_s += dialect.jump_s(at, points[0]);
            at = points.last().copied();
            let lines = vec![n; points.len()];
            let commanded = |p: &[f64; 2]| [p[0] / dialect.scale[0], p[1] / dialect.scale[1]];
            let field = dialect.field_mm[2] - dialect.field_mm[0];
            if points
                .iter()
                .map(commanded)
                .any(|p| p[0].abs().max(p[1].abs()) > field / 2.0 + 1e-4)
            {
                faults.blocking(n, "outside-field", "the cut leaves the field");
            }
            let burn = Burn {
                points,
                start_s: clock.time_s,
                speed_mm_s: dialect.cut_speed_mm_s,
                power_w: dialect.cut_power_w,
                path: 0,
                pass: 1,
            };
            clock.burn(burn, lines, said);
        }
        if wild {
            faults.blocking(n, "unreadable", "a coordinate that is no length");
        }
        if clock.points > MAX_POINTS {
            return Err(ReadError::TooLarge { limit: MAX_POINTS });
        }
    }
    let mut stated = BTreeMap::new();
    if let Some(about) = doc
        .descendants()
        .find(|n| n.has_tag_name("desc") || n.tag_name().name() == "desc")
        .and_then(|n| n.text())
    {
        for part in about.split(';') {
            if let Some((key, value)) = part.trim().split_once(' ')
                && ["kerf_um", "passes", "tie_bars", "laser_side", "layer"].contains(&key)
            {
                stated.insert(key.to_owned(), value.trim().to_owned());
            }
        }
    }
    clock.name();
    let mut motion = clock.motion;
    motion.sheet_mm = [-w / 2.0, -h / 2.0, w / 2.0, h / 2.0];
    motion.end_s = clock.time_s;
    Ok(ReadJob {
        stated,
        motion,
        lines: clock.lines,
        idle: Vec::new(),
        counted,
        last_line: last_line(text),
        faults,
    })
}

/// Whether a coordinate is no length: more than a kilometre, or no number.
fn far_out(path: &BezPath, scale: f64) -> bool {
    let far = |p: &Point| {
        [p.x, p.y]
            .iter()
            .any(|v| (v * scale).abs() >= 1e6 || v.is_nan())
    };
    path.elements().iter().any(|el| match el {
        PathEl::MoveTo(p) | PathEl::LineTo(p) => far(p),
        PathEl::QuadTo(p, q) => far(p) || far(q),
        PathEl::CurveTo(p, q, r) => far(p) || far(q) || far(r),
        PathEl::ClosePath => false,
    })
}

/// The subpaths as polylines, curve by curve, so that no drawing grows beyond `most` points.
fn flat(
    path: &BezPath,
    scale: f64,
    most: usize,
    place: impl Fn(f64, f64) -> [f64; 2],
) -> Result<Vec<Vec<[f64; 2]>>, ReadError> {
    let mut parts: Vec<Vec<[f64; 2]>> = Vec::new();
    let (mut at, mut start, mut count) = (Point::ZERO, Point::ZERO, 0);
    for el in path.elements() {
        match *el {
            PathEl::MoveTo(p) => {
                parts.push(vec![place(p.x, p.y)]);
                (at, start) = (p, p);
            }
            PathEl::ClosePath => {
                if let Some(part) = parts.last_mut() {
                    part.push(part[0]);
                }
                at = start;
            }
            el => {
                if let Some(part) = parts.last_mut() {
                    let before = part.len();
                    // 0.02 um: far below any scanner's step.
                    kurbo::flatten([PathEl::MoveTo(at), el], 2e-5 / scale, |flat| {
                        if let PathEl::LineTo(p) = flat {
                            part.push(place(p.x, p.y));
                        }
                    });
                    count += part.len() - before;
                }
                at = el.end_point().unwrap_or(at);
            }
        }
        if count > most {
            return Err(ReadError::TooLarge { limit: MAX_POINTS });
        }
    }
    Ok(parts)
}
