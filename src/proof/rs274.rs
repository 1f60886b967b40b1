//! Reads RS-274 jobs: an interpreter of the semantics of RS-274/NGC (NIST IR 6556, section 3) for
//! cutting with a beam. What a cutting job has no use for is reported with its line, never guessed at.

use super::arc::{centre_form, radius_form};
use super::dialect::Clock;
use super::words::{self, Line};
use super::{Dialect, Faults, MAX_POINTS, ReadError, ReadJob};
use crate::motion::Burn;
use std::collections::BTreeMap;

const MM_PER_INCH: f64 = 25.4;

/// Motion of modal group 1.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Mode {
    Rapid,
    Feed,
    Arc { clockwise: bool },
    Cancelled,
}

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
    Ok(machine.into_job())
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
pub(super) fn path_comment(comment: &str) -> Option<(u32, u32)> {
    let mut words = comment.split_whitespace();
    let mut next = |name: &str| (words.next()? == name).then(|| words.next()?.parse().ok())?;
    Some((next("path")?, next("pass")?))
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
    ended: bool,
    closed: bool,
    after_end: bool,
    path: Option<(u32, u32)>,
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
            ended: false,
            closed: false,
            after_end: false,
            path: None,
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
            if let Some(path) = path_comment(comment) {
                self.end_burn();
                self.path = Some(path);
            }
        }
        if line.block_delete {
            self.faults.blocking(
                n,
                "block-delete",
                "whether a line that starts with / is run depends on a switch of the machine",
            );
        }
        let Some(words) = self.sort_words(n, &line.words) else {
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
                let (path, pass) = self.name();
                let burn = Burn {
                    points: vec![from, to],
                    start_s: self.clock.time_s,
                    speed_mm_s: self.dialect.jump_speed_mm_s,
                    power_w: self.power_w(),
                    path,
                    pass,
                };
                self.clock.burn(burn, vec![n, n]);
            }
        } else {
            self.clock.time_s += self.dialect.jump_s(from, to);
        }
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
        if self.burn.is_none() {
            let (path, pass) = self.name();
            let burn = Burn {
                points: vec![self.dialect.on_foil(start)],
                start_s: self.clock.time_s,
                speed_mm_s: speed,
                power_w: self.power_w(),
                path,
                pass,
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

    /// Number of path and pass of the burn that starts, where comments tell.
    fn name(&self) -> (u32, u32) {
        self.path.unwrap_or((0, 1))
    }

    fn end_burn(&mut self) {
        if let Some((burn, lines)) = self.burn.take()
            && burn.points.len() > 1
        {
            self.clock.points -= burn.points.len().min(self.clock.points);
            self.clock.burn(burn, lines);
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

    fn into_job(self) -> ReadJob {
        let mut motion = self.clock.motion;
        motion.end_s = self.clock.time_s;
        if self.path.is_none() {
            super::dialect::name_by_shape(&mut motion);
        }
        let mut job = ReadJob {
            stated: self.stated,
            motion,
            lines: self.clock.lines,
            faults: self.faults,
        };
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

/// The words of a line by what they do.
#[derive(Debug, Default)]
struct Words {
    axis: [Option<f64>; 2],
    centre: [Option<f64>; 2],
    radius: Option<f64>,
    feed: Option<f64>,
    power: Option<f64>,
    p: Option<f64>,
    beam: Option<bool>,
    dwell: bool,
    unit_mm: Option<f64>,
    absolute: Option<bool>,
    mode: Option<Mode>,
    inverse_time: bool,
    end: bool,
}

impl Machine<'_> {
    /// Sorts the words of a line by meaning; `None` when the line breaks a rule that keeps it from
    /// being run at all.
    fn sort_words(&mut self, n: u32, list: &[(u8, f64)]) -> Option<Words> {
        let mut words = Words::default();
        let mut seen = [false; 26];
        let mut groups: BTreeMap<&'static str, f64> = BTreeMap::new();
        let mut m_count = 0;
        let mut custom = false;
        for (i, &(letter, value)) in list.iter().enumerate() {
            let slot = &mut seen[usize::from(letter - b'A')];
            if *slot && !matches!(letter, b'G' | b'M') {
                self.faults.blocking(
                    n,
                    "word-repeated",
                    format!(
                        "two {} words on one line (section 3.3.2)",
                        char::from(letter)
                    ),
                );
                return None;
            }
            *slot = true;
            let group = match letter {
                b'N' => {
                    if i != 0 || !(0.0..=99_999.0).contains(&value) || value.fract() != 0.0 {
                        self.faults.blocking(
                            n,
                            "line-number",
                            "N must come first and be 0 to 99999",
                        );
                    }
                    None
                }
                b'G' => Some(self.g_word(n, value, &mut words)?),
                b'M' => {
                    m_count += 1;
                    Some(self.m_word(n, value, &mut words, &mut custom)?)
                }
                l if l == self.dialect.power_letter => {
                    words.power = Some(value);
                    None
                }
                b'X' => keep(&mut words.axis[0], value),
                b'Y' => keep(&mut words.axis[1], value),
                b'I' => keep(&mut words.centre[0], value),
                b'J' => keep(&mut words.centre[1], value),
                b'R' => keep(&mut words.radius, value),
                b'F' => keep(&mut words.feed, value),
                b'P' => keep(&mut words.p, value),
                _ => {
                    self.faults.blocking(
                        n,
                        "unsupported",
                        format!("{} {value} has no use in a cutting job", char::from(letter)),
                    );
                    return None;
                }
            };
            if let Some(group) = group
                && let Some(before) = groups.insert(group, value)
            {
                self.faults.blocking(
                    n,
                    "modal-conflict",
                    format!(
                        "{before} and {value} belong to one modal group ({group}; section 3.4)"
                    ),
                );
                return None;
            }
        }
        if m_count > 4 {
            self.faults.blocking(
                n,
                "modal-conflict",
                "more than four M words on one line (section 3.3.2)",
            );
            return None;
        }
        if words.p.is_some() && !words.dwell && !custom {
            self.faults.blocking(n, "word-unused", "P without G4");
        }
        let arc = matches!(words.mode.or(self.mode), Some(Mode::Arc { .. }));
        if (words.radius.is_some() || words.centre.iter().any(Option::is_some)) && !arc {
            self.faults
                .blocking(n, "word-unused", "I, J or R without an arc");
        }
        Some(words)
    }

    /// What a G word does, and its modal group (section 3.4, table 4).
    fn g_word(&mut self, n: u32, value: f64, words: &mut Words) -> Option<&'static str> {
        let tenths = (value * 10.0).round();
        let code = if (value * 10.0 - tenths).abs() < 1e-9 && tenths.abs() < 1e6 {
            tenths as i32
        } else {
            -1
        };
        let mode = match code {
            0 => Mode::Rapid,
            10 => Mode::Feed,
            20 => Mode::Arc { clockwise: true },
            30 => Mode::Arc { clockwise: false },
            800 => Mode::Cancelled,
            40 => {
                words.dwell = true;
                return Some("non-modal");
            }
            170 => return Some("plane"),
            200 | 210 => {
                let unit = if code == 200 { MM_PER_INCH } else { 1.0 };
                words.unit_mm = Some(unit);
                return Some("units");
            }
            400 => return Some("radius compensation"),
            490 => return Some("length offset"),
            540 => return Some("coordinate system"),
            610 | 611 | 640 => return Some("path control"),
            900 | 910 => {
                words.absolute = Some(code == 900);
                return Some("distance mode");
            }
            930 => {
                words.inverse_time = true;
                return Some("feed mode");
            }
            940 => return Some("feed mode"),
            980 | 990 => return Some("return level"),
            _ => {
                self.faults.blocking(
                    n,
                    "unsupported",
                    format!("G{value} is not read here: it has no use in a cutting job"),
                );
                return None;
            }
        };
        words.mode = Some(mode);
        Some("motion")
    }

    /// What an M word does, and its modal group.
    fn m_word(
        &mut self,
        n: u32,
        value: f64,
        words: &mut Words,
        custom: &mut bool,
    ) -> Option<&'static str> {
        let code = (value.fract() == 0.0 && (0.0..1e6).contains(&value)).then_some(value as u32);
        match code {
            c if c.is_some() && c == self.dialect.beam_on => {
                *custom = true;
                words.beam = Some(true);
                Some("beam")
            }
            c if c.is_some() && c == self.dialect.beam_off => {
                *custom = true;
                words.beam = Some(false);
                Some("beam")
            }
            Some(3 | 4) => {
                words.beam = Some(true);
                Some("beam")
            }
            Some(5) => {
                words.beam = Some(false);
                Some("beam")
            }
            Some(2 | 30) => {
                words.end = true;
                Some("stopping")
            }
            Some(48 | 49) => Some("overrides"),
            _ => {
                self.faults.blocking(
                    n,
                    "unsupported",
                    format!("M{value} is not read here: it has no use in a cutting job"),
                );
                None
            }
        }
    }
}

fn keep(slot: &mut Option<f64>, value: f64) -> Option<&'static str> {
    *slot = Some(value);
    None
}
