//! Reads RS-274 jobs: an interpreter of the semantics of RS-274/NGC (NIST IR 6556, section 3) for
//! cutting with a beam. What a cutting job has no use for is reported with its line, never guessed at.

use super::arc::{centre_form, radius_form};
use super::count::{self, Counted};
use super::dialect::Clock;
use super::meaning::{self, Mode, Words};
use super::names::Said;
use super::words::{self, Line};
use super::{Dialect, Faults, MAX_POINTS, ReadError, ReadJob};
use crate::motion::Burn;
use std::collections::BTreeMap;

/// Reads a job.
///
/// # Errors
/// More than [`MAX_POINTS`] points; everything else is among the faults of the job.
pub fn read(text: &str, dialect: &Dialect) -> Result<ReadJob, ReadError> {
    let mut machine = Machine::new(dialect);
    let mut percent = 0;
    let mut last_line = 0;
    for (i, raw) in text.split('\n').enumerate() {
        let n = u32::try_from(i + 1).unwrap_or(u32::MAX);
        let raw = raw.strip_suffix('\r').unwrap_or(raw);
        if raw.trim().is_empty() {
            continue;
        }
        if raw.len() > dialect.max_line {
            machine.faults.blocking(
                n,
                "line-too-long",
                format!(
                    "{} characters; at most {} are read",
                    raw.len(),
                    dialect.max_line
                ),
            );
        }
        if raw.trim() == "%" {
            percent += 1;
            if percent == 1 && last_line != 0 {
                machine.faults.blocking(
                    n,
                    "percent-misplaced",
                    "a % line may only come first and last",
                );
            }
            if percent == 2 {
                machine.closed = true;
            }
            last_line = n;
            continue;
        }
        last_line = n;
        match words::split(raw) {
            Err((code, message)) => machine.faults.blocking(n, code, message),
            Ok(line) => machine.line(n, &line),
        }
        if machine.clock.points > MAX_POINTS {
            return Err(ReadError::TooLarge { limit: MAX_POINTS });
        }
    }
    machine.finish(last_line, percent);
    Ok(machine.into_job(last_line))
}

/// Reads `key: value` from a comment.
pub(super) fn stated(comment: &str, into: &mut BTreeMap<String, String>) {
    if let Some((key, value)) = comment.split_once(':') {
        let key = key.trim();
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        if !key.is_empty() && key.len() < 40 && key.chars().all(plain) && into.len() < 500 {
            into.entry(key.to_owned())
                .or_insert_with(|| value.trim().to_owned());
        }
    }
}

/// `path 3 pass 1 ...` of a comment before each path.
pub(super) fn path_comment(comment: &str) -> Option<Said> {
    let mut words = comment.split_whitespace();
    let mut next = |name: &str| (words.next()? == name).then(|| words.next()?.parse().ok())?;
    Some(Said::of(next("path")?, next("pass")?))
}

struct Machine<'a> {
    dialect: &'a Dialect,
    faults: Faults,
    clock: Clock,
    stated: BTreeMap<String, String>,
    /// Commanded position in millimetres; each axis is unknown until it is first given.
    at: [Option<f64>; 2],
    mode: Option<Mode>,
    /// Millimetres per unit, once G20 or G21 was met.
    unit_mm: Option<f64>,
    absolute: Option<bool>,
    feed_mm_s: Option<f64>,
    power: Option<f64>,
    beam: bool,
    /// The beam went on and nothing has moved since.
    unmoved: bool,
    /// A jump that nothing was cut after yet, and such jumps before it.
    jumped: Option<([f64; 2], u32)>,
    idle: Vec<([f64; 2], u32)>,
    counted: Vec<Counted>,
    ended: bool,
    closed: bool,
    after_end: bool,
    /// Path and pass of what is cut next, by the comment before it.
    said: Said,
    burn: Option<(Burn, Vec<u32>)>,
}

impl<'a> Machine<'a> {
    fn new(dialect: &'a Dialect) -> Self {
        Machine {
            dialect,
            faults: Faults::default(),
            clock: Clock::default(),
            stated: BTreeMap::new(),
            at: [None, None],
            mode: None,
            unit_mm: None,
            absolute: None,
            feed_mm_s: None,
            power: None,
            beam: false,
            unmoved: false,
            jumped: None,
            idle: Vec::new(),
            counted: Vec::new(),
            ended: false,
            closed: false,
            after_end: false,
            said: Said::default(),
            burn: None,
        }
    }

    /// One line, in the order of execution of section 3.8 (table 8).
    fn line(&mut self, n: u32, line: &Line<'_>) {
        if self.ended || self.closed {
            if !line.words.is_empty() && !self.after_end {
                self.after_end = true;
                self.faults.blocking(
                    n,
                    "unreachable",
                    "words after the end of the program are never run",
                );
            }
            return;
        }
        for comment in &line.comments {
            stated(comment, &mut self.stated);
            // The jump before it is the first line of a cut.
            let first = self.jumped.map_or(n, |(_, line)| line);
            if let Some(said) = path_comment(comment) {
                self.end_burn();
                self.said = said;
            }
            let burn = self.clock.motion.burns.len() + usize::from(self.burn.is_some());
            self.counted.extend(count::read(comment, first, burn));
        }
        if line.block_delete {
            self.faults.blocking(
                n,
                "block-delete",
                "whether a line that starts with / is run depends on a switch of the machine",
            );
        }
        let sorted = meaning::sort(&line.words, self.mode, n, self.dialect, &mut self.faults);
        let Some(words) = sorted else {
            return;
        };
        if words.inverse_time {
            self.faults.blocking(
                n,
                "unsupported",
                "G93 (inverse time feed) is not read here; use G94",
            );
        }
        // F is run before G20 and G21 of the same line, so it is in the units of the lines before.
        self.unit_mm = self.unit_mm.or(words.unit_mm);
        if let Some(f) = words.feed {
            self.set_feed(n, f);
        }
        if let Some(s) = words.power {
            if s < 0.0 {
                self.faults
                    .blocking(n, "power-negative", "a negative power word");
            } else {
                self.set_power(n, s);
            }
        }
        if let Some(on) = words.beam {
            self.set_beam(n, on);
        }
        if words.dwell {
            self.dwell(n, words.p);
        }
        if let (Some(before), Some(unit)) = (self.unit_mm, words.unit_mm)
            && before != unit
            && self.at != [None, None]
        {
            let name = |mm: f64| if mm == 1.0 { "millimetres" } else { "inches" };
            let message = format!(
                "lengths are {} up to here, {} from here on",
                name(before),
                name(unit)
            );
            self.faults.warning(n, "units-changed", message);
        }
        self.unit_mm = words.unit_mm.or(self.unit_mm);
        if let Some(absolute) = words.absolute {
            self.absolute = Some(absolute);
        }
        if let Some(mode) = words.mode {
            self.mode = Some(mode);
        }
        if words.axis.iter().any(Option::is_some) {
            self.motion(n, &words);
        } else if matches!(words.mode, Some(m) if m != Mode::Cancelled) {
            self.faults.blocking(
                n,
                "no-axis",
                "a motion without X or Y (section 3.5.1 and on)",
            );
        }
        if words.end {
            self.end(n);
        }
    }

    fn set_feed(&mut self, n: u32, f: f64) {
        if self.unit_mm.is_none() {
            self.faults.blocking(
                n,
                "units-missing",
                "a feed before G20 or G21 says what it is measured in",
            );
        }
        let unit = *self.unit_mm.get_or_insert(1.0);
        if f > 0.0 {
            self.feed_mm_s = Some(f * unit / 60.0);
        } else {
            self.feed_mm_s = None;
            self.faults
                .blocking(n, "feed-missing", format!("a feed of {f} moves nothing"));
        }
    }

    fn set_power(&mut self, n: u32, s: f64) {
        if s > self.dialect.power_full_scale {
            self.faults.blocking(
                n,
                "power-over-scale",
                format!(
                    "power {s} is over the full scale of {}",
                    self.dialect.power_full_scale
                ),
            );
        }
        if self.power != Some(s) {
            self.end_burn();
        }
        self.power = Some(s);
    }

    fn set_beam(&mut self, n: u32, on: bool) {
        if on != self.beam {
            self.end_burn();
            if self.burning() && std::mem::take(&mut self.unmoved) {
                self.faults.warning(
                    n,
                    "beam-at-rest",
                    "the beam goes on and off again without moving: it burns a pit",
                );
            }
            self.unmoved = on;
            if !on {
                // A comment names one cut, not those after it.
                self.said = Said::default();
            }
        }
        self.beam = on;
    }

    fn burning(&self) -> bool {
        self.beam && self.power.is_some_and(|s| s > 0.0)
    }

    fn dwell(&mut self, n: u32, p: Option<f64>) {
        self.end_burn();
        self.unmoved = false;
        match p {
            None => self.faults.blocking(n, "dwell-missing", "G4 without P"),
            Some(p) if p < 0.0 => {
                self.faults
                    .blocking(n, "dwell-negative", "G4 with a negative P (section 3.5.4)");
            }
            Some(p) => {
                if self.burning() {
                    self.faults.blocking(
                        n,
                        "beam-on-dwell",
                        "the beam is on during a dwell: it burns a pit",
                    );
                }
                let seconds = p * self.dialect.dwell_unit_s;
                self.faults.long_dwell(
                    n,
                    seconds,
                    "is [rs274] dwell_unit, seconds or milliseconds, that of the controller?",
                );
                self.clock.dwell(seconds);
            }
        }
    }

    fn motion(&mut self, n: u32, words: &Words) {
        let Some(mode) = self.mode.filter(|m| *m != Mode::Cancelled) else {
            self.faults
                .blocking(n, "no-motion-mode", "X or Y while no motion mode is active");
            return;
        };
        let unit = *self.unit_mm.get_or_insert_with(|| {
            self.faults.blocking(
                n,
                "units-missing",
                "a motion before G20 or G21 says what it is measured in",
            );
            1.0
        });
        let absolute = *self.absolute.get_or_insert_with(|| {
            self.faults.warning(
                n,
                "distance-mode-missing",
                "a motion before G90 or G91; taken as G90",
            );
            true
        });
        let start = self.at;
        let mut end = start;
        for (axis, value) in words.axis.iter().enumerate() {
            if let Some(v) = value {
                end[axis] = match (absolute, start[axis]) {
                    (true, _) => Some(v * unit),
                    (false, Some(from)) => Some(from + v * unit),
                    (false, None) => {
                        self.faults.blocking(
                            n,
                            "start-unknown",
                            "a relative motion from a place that no line before gave",
                        );
                        Some(v * unit)
                    }
                };
            }
        }
        self.at = end;
        let (start, [Some(x), Some(y)]) = (start, end) else {
            if mode != Mode::Rapid {
                self.faults
                    .blocking(n, "start-unknown", "a cut before both X and Y are known");
            }
            return;
        };
        let end = [x, y];
        let start = match start {
            [Some(x), Some(y)] => Some([x, y]),
            _ => None,
        };
        if !self.dialect.in_field(end) {
            self.outside(n, end);
        }
        if mode == Mode::Rapid {
            self.jump(n, start, end);
        } else {
            self.feed_motion(n, mode, start, end, words, unit);
        }
    }

    fn outside(&mut self, n: u32, p: [f64; 2]) {
        let f = self.dialect.field_mm;
        self.faults.blocking(
            n,
            "outside-field",
            format!(
                "({:.4}, {:.4}) mm lies outside the field of ({}, {}) to ({}, {}) mm",
                p[0], p[1], f[0], f[1], f[2], f[3]
            ),
        );
    }

    fn jump(&mut self, n: u32, start: Option<[f64; 2]>, end: [f64; 2]) {
        let burning = self.burning();
        self.end_burn();
        self.unmoved = false;
        let from = start.map(|s| self.dialect.on_foil(s));
        let to = self.dialect.on_foil(end);
        if burning {
            self.faults.blocking(
                n,
                "beam-on-jump",
                "the beam is on during a jump: it cuts across the foil",
            );
            if let Some(from) = from {
                // What a controller that does not blank the beam does to the foil.
                let burn = Burn {
                    points: vec![from, to],
                    start_s: self.clock.time_s,
                    speed_mm_s: self.dialect.jump_speed_mm_s,
                    power_w: self.power_w(),
                    path: 0,
                    pass: 1,
                };
                self.clock.burn(burn, vec![n, n], self.said);
            }
        } else {
            self.clock.time_s += self.dialect.jump_s(from, to);
        }
        self.idle.extend(self.jumped.replace((to, n)));
    }

    fn feed_motion(
        &mut self,
        n: u32,
        mode: Mode,
        start: Option<[f64; 2]>,
        end: [f64; 2],
        words: &Words,
        unit: f64,
    ) {
        self.unmoved = false;
        let Some(start) = start else {
            self.faults.blocking(
                n,
                "start-unknown",
                "a cut from a place that no line before gave",
            );
            return;
        };
        let speed = *self.feed_mm_s.get_or_insert_with(|| {
            self.faults.blocking(
                n,
                "feed-missing",
                "a cut before any F word: the machine would stop or guess",
            );
            self.dialect.cut_speed_mm_s
        });
        let points = match mode {
            Mode::Arc { clockwise } => match self.arc(start, end, clockwise, words, unit) {
                Ok(points) => points,
                Err(why) => {
                    self.faults.blocking(n, "arc", why);
                    return;
                }
            },
            _ => vec![end],
        };
        if let Some(p) = points
            .iter()
            .take(points.len() - 1)
            .find(|p| !self.dialect.in_field(**p))
        {
            self.outside(n, *p);
        }
        if !self.burning() {
            let length: f64 = length_on_foil(self.dialect, start, &points);
            // Arcs cost as much with the beam off.
            self.clock.points += points.len();
            self.clock.time_s += length / speed;
            return;
        }
        if self
            .burn
            .as_ref()
            .is_some_and(|(b, _)| b.speed_mm_s != speed)
        {
            self.end_burn();
        }
        self.jumped = None;
        if self.burn.is_none() {
            let burn = Burn {
                points: vec![self.dialect.on_foil(start)],
                start_s: self.clock.time_s,
                speed_mm_s: speed,
                power_w: self.power_w(),
                path: 0,
                pass: 1,
            };
            self.burn = Some((burn, vec![n]));
        }
        let dialect = self.dialect;
        if let Some((burn, lines)) = &mut self.burn {
            self.clock.points += points.len();
            for p in points {
                let p = dialect.on_foil(p);
                if burn.points.last() != Some(&p) {
                    burn.points.push(p);
                    lines.push(n);
                }
            }
        }
    }

    fn arc(
        &self,
        start: [f64; 2],
        end: [f64; 2],
        clockwise: bool,
        words: &Words,
        unit: f64,
    ) -> Result<Vec<[f64; 2]>, String> {
        let slack = if unit == 1.0 { 0.002 } else { 0.0002 * unit };
        let centre = match (words.radius, words.centre) {
            (Some(_), [None, None]) | (None, [Some(_), _] | [_, Some(_)]) => {
                if let Some(r) = words.radius {
                    radius_form(start, end, r * unit, clockwise)?
                } else {
                    let [i, j] = words.centre.map(|v| v.unwrap_or(0.0) * unit);
                    [start[0] + i, start[1] + j]
                }
            }
            (Some(_), _) => return Err("an arc with both R and I or J".to_owned()),
            (None, _) => return Err("an arc without I, J or R".to_owned()),
        };
        // The slack of a radius-form half turn was judged there.
        let slack = if words.radius.is_some() { 0.01 } else { slack };
        centre_form(start, end, centre, clockwise, slack)
    }

    fn power_w(&self) -> f64 {
        self.power.unwrap_or(0.0) / self.dialect.power_full_scale * self.dialect.rated_power_w
    }

    fn end_burn(&mut self) {
        if let Some((burn, lines)) = self.burn.take()
            && burn.points.len() > 1
        {
            self.clock.points -= burn.points.len().min(self.clock.points);
            self.clock.burn(burn, lines, self.said);
        }
    }

    fn end(&mut self, n: u32) {
        if self.burning() {
            self.faults.blocking(
                n,
                "beam-on-end",
                "the beam is still on at the end of the program",
            );
        }
        self.end_burn();
        self.ended = true;
    }

    fn finish(&mut self, last: u32, percent: u32) {
        self.end_burn();
        if percent == 1 {
            self.faults.blocking(
                last,
                "truncated",
                "the job opens with % and is never closed by one: the file is cut short",
            );
        } else if !self.ended && percent == 0 {
            self.faults.blocking(
                last.max(1),
                "truncated",
                "the job has no M2 or M30: the file is cut short",
            );
        }
        if !self.ended && self.burning() {
            self.faults.blocking(
                last.max(1),
                "beam-on-end",
                "the beam is still on where the file ends",
            );
        }
    }

    fn into_job(mut self, last_line: u32) -> ReadJob {
        self.clock.name();
        let mut motion = self.clock.motion;
        motion.end_s = self.clock.time_s;
        let mut job = ReadJob {
            stated: self.stated,
            motion,
            lines: self.clock.lines,
            idle: self.idle,
            counted: self.counted,
            last_line,
            faults: self.faults,
        };
        job.idle.extend(self.jumped);
        job.motion.sheet_mm = job.sheet_mm().unwrap_or_default();
        job
    }
}

fn length_on_foil(dialect: &Dialect, start: [f64; 2], points: &[[f64; 2]]) -> f64 {
    let mut at = dialect.on_foil(start);
    let mut sum = 0.0;
    for p in points {
        let p = dialect.on_foil(*p);
        sum += crate::polyline::distance(at, p);
        at = p;
    }
    sum
}
