//! Reads DXF R12 (ASCII): POLYLINE and LINE entities in the order they stand, layers `KIND-passN`.

use super::dialect::Clock;
use super::names::Said;
use super::{Dialect, Faults, MAX_POINTS, ReadError, ReadJob, last_line, rs274};
use crate::motion::Burn;
use std::collections::BTreeMap;

/// A polyline being read.
#[derive(Default)]
struct Open {
    line: u32,
    layer: String,
    closed: bool,
    points: Vec<[f64; 2]>,
    lines: Vec<u32>,
}

pub(super) fn read(text: &str, dialect: &Dialect) -> Result<ReadJob, ReadError> {
    let mut reader = Reader {
        dialect,
        faults: Faults::default(),
        clock: Clock::default(),
        at: None,
        said: Said::default(),
    };
    let mut stated = BTreeMap::new();
    let mut counted = Vec::new();
    let mut section = String::new();
    let mut variable = String::new();
    let mut entity = String::new();
    let mut open: Option<Open> = None;
    let mut vertex: ([Option<f64>; 4], u32) = ([None; 4], 0);
    let mut ended = false;
    let mut lines = text.lines().enumerate();
    while let Some((i, code)) = lines.next() {
        if code.trim().is_empty() && lines.clone().all(|(_, l)| l.trim().is_empty()) {
            break;
        }
        let n = u32::try_from(i + 1).unwrap_or(u32::MAX);
        let code: u16 = code.trim().parse().map_err(|_| ReadError::NotAJob {
            expected: "a DXF file",
            why: format!("line {n} should be a group code"),
            line: Some(n),
        })?;
        let Some((_, value)) = lines.next() else {
            break;
        };
        let value = value.trim();
        let number = || value.parse::<f64>().ok().filter(|v| v.abs() < 1e6);
        match (code, section.as_str()) {
            (999, _) => {
                let inches = value.to_ascii_lowercase().contains("inches");
                if inches || value.starts_with("units:") && value != "units: millimetres" {
                    reader.units(n, value);
                }
                rs274::stated(value, &mut stated);
                let burn = reader.clock.motion.burns.len();
                counted.extend(super::count::read(value, n, burn));
                reader.said = rs274::path_comment(value).unwrap_or(reader.said);
            }
            (0, _) => {
                if section == "ENTITIES" {
                    reader.vertex(&entity, &mut open, vertex);
                }
                vertex = ([None; 4], n);
                entity = value.to_owned();
                match value {
                    "SECTION" | "TABLE" | "LAYER" | "ENDTAB" => {}
                    "ENDSEC" => section.clear(),
                    "EOF" => ended = true,
                    "POLYLINE" | "LINE" if section == "ENTITIES" => {
                        open = Some(Open {
                            line: n,
                            ..Open::default()
                        });
                    }
                    "VERTEX" => {}
                    "SEQEND" => {
                        if let Some(o) = open.take() {
                            reader.polyline(o);
                        }
                    }
                    other if section == "ENTITIES" => {
                        let message =
                            format!("the entity {} is not read here", other.escape_default());
                        reader.faults.blocking(n, "unsupported", message);
                    }
                    _ => {}
                }
            }
            (9, _) => variable = value.to_owned(),
            // 4 is millimetres, 0 is none; later releases than R12 have the variable.
            (70, _) if variable == "$INSUNITS" => {
                variable.clear();
                if !["0", "4"].contains(&value) {
                    reader.units(n, &format!("$INSUNITS {value}"));
                }
            }
            (2, _) if entity == "SECTION" => section = value.to_owned(),
            (8, "ENTITIES") => {
                if let Some(o) = &mut open
                    && entity != "VERTEX"
                {
                    o.layer = value.to_owned();
                }
            }
            (70, "ENTITIES") if entity == "POLYLINE" => {
                if let Some(o) = &mut open {
                    o.closed = value.parse::<i32>().is_ok_and(|v| v & 1 == 1);
                }
            }
            (42, "ENTITIES") if number() != Some(0.0) => {
                reader.faults.blocking(
                    n,
                    "unsupported",
                    "a bulge; cuts are read as straight pieces",
                );
            }
            (10 | 20 | 11 | 21, "ENTITIES") => {
                let slot = usize::from(code % 2 * 2 + (code / 20));
                vertex.0[slot] = number();
                if number().is_none() {
                    reader
                        .faults
                        .blocking(n, "unreadable", "a coordinate that is no length");
                }
            }
            _ => {}
        }
        if reader.clock.points > MAX_POINTS {
            return Err(ReadError::TooLarge { limit: MAX_POINTS });
        }
    }
    if open.is_some() || !ended {
        reader.faults.blocking(
            last_line(text),
            "truncated",
            "the file has no EOF: it is cut short",
        );
    }
    reader.clock.name();
    let mut job = ReadJob {
        stated,
        motion: reader.clock.motion,
        lines: reader.clock.lines,
        idle: Vec::new(),
        counted,
        last_line: last_line(text),
        faults: reader.faults,
    };
    job.motion.end_s = reader.clock.time_s;
    job.motion.sheet_mm = job.sheet_mm().unwrap_or_default();
    Ok(job)
}

struct Reader<'a> {
    dialect: &'a Dialect,
    faults: Faults,
    clock: Clock,
    at: Option<[f64; 2]>,
    /// Path and pass by the comment before.
    said: Said,
}

impl Reader<'_> {
    fn units(&mut self, n: u32, said: &str) {
        self.faults.blocking(
            n,
            "units",
            format!(
                "lengths are read as millimetres; the file says `{}`",
                said.escape_default()
            ),
        );
    }
    /// Takes the coordinates of the entity that just ended.
    fn vertex(&mut self, entity: &str, open: &mut Option<Open>, (v, n): ([Option<f64>; 4], u32)) {
        match (entity, &mut *open, v) {
            ("VERTEX", Some(o), [Some(x), Some(y), _, _]) => {
                o.points.push([x, y]);
                o.lines.push(n);
            }
            ("LINE", Some(_), [Some(x), Some(y), Some(p), Some(q)]) => {
                if let Some(mut o) = open.take() {
                    o.points = vec![[x, y], [p, q]];
                    o.lines = vec![n, n];
                    self.polyline(o);
                }
            }
            ("VERTEX" | "LINE", _, _) => {
                self.faults.blocking(
                    n,
                    "unreadable",
                    "a vertex without x and y, or outside a polyline",
                );
            }
            _ => {}
        }
    }

    fn polyline(&mut self, mut o: Open) {
        if o.layer.starts_with("SHEET_MARK") {
            return;
        }
        if o.closed
            && let (Some(&p), Some(&n)) = (o.points.first(), o.lines.first())
        {
            o.points.push(p);
            o.lines.push(n);
        }
        if o.points.len() < 2 {
            return;
        }
        if !o.points.iter().all(|p| self.dialect.in_field(*p)) {
            self.faults
                .blocking(o.line, "outside-field", "the cut leaves the field");
        }
        let points: Vec<[f64; 2]> = o.points.iter().map(|p| self.dialect.on_foil(*p)).collect();
        self.clock.time_s += self.dialect.jump_s(self.at, points[0]);
        self.at = points.last().copied();
        let burn = Burn {
            points,
            start_s: self.clock.time_s,
            speed_mm_s: self.dialect.cut_speed_mm_s,
            power_w: self.dialect.cut_power_w,
            path: 0,
            pass: 1,
        };
        let said = std::mem::take(&mut self.said);
        self.clock.burn(burn, o.lines, said);
    }
}
