//! RS-274 job files (NIST IR 6556, "The NIST RS274NGC Interpreter", 2000).
//!
//! The beam is on between a beam-on line and a beam-off line, and only cuts stand between them:
//! every jump and dwell is written with the beam off, by construction of [`Body`].

use super::arcs;
use super::plan::{Path, Plan, Step};
use super::write::{WriteError, Writer};
use crate::recipe::{CommentStyle, DwellUnit, Recipe};
use crate::units::{FIXED_LENGTH, fixed, push_fixed, show_time_s, trim_number, write_fixed};
use rayon::prelude::*;
use std::fmt::Write as _;

/// Steps written by one thread at a time; the file does not depend on it.
const CHUNK_STEPS: usize = 1024;

/// Writes `.nc` files.
#[derive(Debug)]
pub struct Rs274Writer;

impl Writer for Rs274Writer {
    fn extension(&self) -> &'static str {
        "nc"
    }

    fn write(&self, plan: &Plan, recipe: &Recipe) -> Result<Vec<u8>, WriteError> {
        let dialect = &recipe.rs274;
        for line in dialect.header.iter().chain(&dialect.footer) {
            check_own_line(line, recipe)?;
        }
        let mut body = Body {
            out: Vec::new(),
            recipe,
            line: 0,
        };
        if dialect.percent_lines {
            body.raw("%");
        }
        header(&mut body, plan);
        for line in ["G21", "G90", "G17", "G94", &dialect.beam_off] {
            body.line(line);
        }
        for line in &dialect.header {
            body.line(line);
        }
        let points: usize = plan.steps.iter().map(|s| points_of(plan, s)).sum();
        body.out
            .reserve(64 * plan.steps.len() + BYTES_PER_POINT * points);
        if dialect.line_numbers || rayon::current_num_threads() == 1 {
            body.steps(plan, &plan.steps);
        } else {
            // Without numbers no line depends on those before it.
            for some in plan
                .steps
                .chunks(CHUNK_STEPS * rayon::current_num_threads())
            {
                let parts: Vec<Vec<u8>> = some
                    .par_chunks(CHUNK_STEPS)
                    .map(|steps| {
                        let points: usize = steps.iter().map(|s| points_of(plan, s)).sum();
                        let mut part = Body {
                            out: Vec::with_capacity(64 * steps.len() + BYTES_PER_POINT * points),
                            recipe,
                            line: 0,
                        };
                        part.steps(plan, steps);
                        part.out
                    })
                    .collect();
                for part in &parts {
                    body.out.extend_from_slice(part);
                }
            }
        }
        body.line(&dialect.beam_off);
        for line in &dialect.footer {
            body.line(line);
        }
        body.line("M2");
        if dialect.percent_lines {
            body.raw("%");
        }
        Ok(body.out)
    }
}

/// Room for a move on a line of its own.
const BYTES_PER_POINT: usize = 28;

/// Most points of a step.
fn points_of(plan: &Plan, step: &Step) -> usize {
    match step {
        Step::Cut { path, .. } => plan.paths[*path as usize].points.len(),
        _ => 1,
    }
}

fn path_comment(number: u32, pass: u32, path: &Path) -> String {
    let mut text = format!("path {number} pass {pass}");
    if let Some(opening) = path.opening {
        let _ = write!(text, " opening {opening}");
    }
    let kind = match path.kind {
        crate::kerf::CutKind::Opening => "",
        crate::kerf::CutKind::Line => " single line",
        crate::kerf::CutKind::Clear => " clearing stroke",
        crate::kerf::CutKind::Sheet => " sheet outline",
    };
    text + kind
}

/// Lines of the user's own may do anything but turn the beam on or end the job early. They are judged by
/// their words as a controller reads them, so a line that is not made of plain words is refused too.
fn check_own_line(line: &str, recipe: &Recipe) -> Result<(), WriteError> {
    let refuse = |why: String| {
        Err(WriteError::Refused(format!(
            "[rs274] header or footer line `{}` {why}",
            line.escape_debug()
        )))
    };
    let most = recipe.rs274.max_line as usize;
    if line.contains(['\n', '\r']) || line.len() > most {
        return refuse(format!("must be one line of at most {most} characters"));
    }
    let Some(words) = words_of(line) else {
        return refuse(
            "is not made of plain words (a letter and a number): what it does cannot be judged"
                .into(),
        );
    };
    // Words count as the same when their numbers are: M3, M03 and M3.0.
    let on = words_of(&recipe.rs274.beam_on).unwrap_or_default();
    let turns_on = !on.is_empty() && on.iter().all(|w| words.contains(w));
    let forbidden = words
        .iter()
        .find(|(letter, v)| *letter == 'M' && [2.0, 3.0, 4.0, 30.0].contains(v));
    match forbidden {
        Some((letter, number)) => refuse(format!(
            "holds {letter}{number}: your own lines may not turn the beam on or end the job"
        )),
        None if turns_on => refuse(format!(
            "holds {}: your own lines may not turn the beam on or end the job",
            recipe.rs274.beam_on
        )),
        None => Ok(()),
    }
}

/// The words of a line outside comments; `None` where it holds anything else.
fn words_of(line: &str) -> Option<Vec<(char, f64)>> {
    let text: String = strip_comments(line)
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_ascii_uppercase())
        .collect();
    let mut rest = text.as_str();
    let mut words = Vec::new();
    while let Some(letter) = rest.chars().next() {
        if !letter.is_ascii_uppercase() {
            return None;
        }
        let after = &rest[1..];
        let end = after
            .find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)))
            .unwrap_or(after.len());
        words.push((letter, after[..end].parse().ok()?));
        rest = &after[end..];
    }
    Some(words)
}

fn strip_comments(line: &str) -> String {
    let mut out = String::new();
    let mut depth = 0;
    for c in line.chars() {
        match c {
            '(' => depth = 1,
            ')' => depth = 0,
            ';' if depth == 0 => break,
            c if depth == 0 => out.push(c),
            _ => {}
        }
    }
    out
}

struct Body<'a> {
    out: Vec<u8>,
    recipe: &'a Recipe,
    line: u32,
}

impl Body<'_> {
    fn steps(&mut self, plan: &Plan, steps: &[Step]) {
        let dialect = &self.recipe.rs274;
        for step in steps {
            match step {
                Step::Jump { to } => {
                    self.number_line();
                    self.move_to("G0 ", &Words::of(*to, self.recipe), "");
                }
                Step::Dwell { seconds, reason } => {
                    self.comment(&format!("pause: {reason}"));
                    let p = match dialect.dwell_unit {
                        DwellUnit::Seconds => trim_number(*seconds, 4),
                        DwellUnit::Milliseconds => trim_number(seconds * 1e3, 1),
                    };
                    self.line(&format!("G4 P{p}"));
                }
                Step::Cut {
                    path,
                    pass,
                    from_mm,
                    to_mm,
                    count,
                } => {
                    let p = &plan.paths[*path as usize];
                    self.comment(&path_comment(*path, *pass, p));
                    if let Some(count) = count {
                        self.comment(&count.to_string());
                    }
                    let points = plan.cut_points(*path, *from_mm, *to_mm);
                    let power = dialect.power_full_scale * plan.power_percent(*path) / 100.0;
                    self.cut(&points, power, plan.speed_mm_s(*path) * 60.0);
                }
            }
        }
    }
    fn raw(&mut self, text: &str) {
        self.out.extend_from_slice(text.as_bytes());
        self.out.push(b'\n');
    }
    fn number_line(&mut self) {
        if self.recipe.rs274.line_numbers {
            // N takes at most five digits (NIST IR 6556, 3.3.1): start over rather than overflow.
            self.line = self.line % 99_999 + 1;
            self.out
                .extend_from_slice(format!("N{} ", self.line).as_bytes());
        }
    }
    fn line(&mut self, text: &str) {
        self.number_line();
        self.raw(text);
    }
    /// A comment in the dialect's style, folded to the line limit; nothing where there are none.
    fn comment(&mut self, text: &str) {
        let style = self.recipe.rs274.comment_style;
        if style == CommentStyle::None {
            return;
        }
        let room = (self.recipe.rs274.max_line as usize)
            .saturating_sub(4)
            .clamp(20, 120);
        let plain = |b: u8| (b.is_ascii_graphic() || b == b' ') && !b"()[];".contains(&b);
        if text.len() <= room && !text.starts_with(' ') && text.bytes().all(plain) {
            self.comment_line(text);
            return;
        }
        // Parentheses cannot nest and the file stays ASCII.
        let clean: String = text
            .chars()
            .map(|c| match c {
                '(' | '[' => '[',
                ')' | ']' => ']',
                ';' => ',',
                '\u{b5}' | '\u{3bc}' => 'u',
                c if c.is_ascii_graphic() || c == ' ' => c,
                _ => '?',
            })
            .collect();
        let mut line = String::new();
        let mut lines = Vec::new();
        for word in clean.split(' ') {
            if !line.is_empty() && line.len() + 1 + word.len() > room {
                lines.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(&word[..word.len().min(room)]);
        }
        lines.push(line);
        for l in lines {
            self.comment_line(&l);
        }
    }
    fn comment_line(&mut self, text: &str) {
        let (before, after): (&[u8], &[u8]) = match self.recipe.rs274.comment_style {
            CommentStyle::Parentheses => (b"(", b")\n"),
            CommentStyle::Semicolon => (b"; ", b"\n"),
            CommentStyle::None => return,
        };
        for part in [before, text.as_bytes(), after] {
            self.out.extend_from_slice(part);
        }
    }
    fn number(&self, v: f64) -> String {
        let mut out = String::new();
        push_fixed(&mut out, v, self.recipe.rs274.decimals as usize);
        out
    }
    /// One cut: power, beam on, moves, beam off. Nothing else ever turns the beam on.
    fn cut(&mut self, points: &[[f64; 2]], power: f64, feed_mm_min: f64) {
        let dialect = &self.recipe.rs274;
        let before = (self.out.len(), self.line);
        self.line(&format!("{}{}", dialect.power_word, trim_number(power, 3)));
        self.line(&dialect.beam_on);
        let feed = format!(" F{}", trim_number(feed_mm_min, 3));
        let moved = if dialect.arcs {
            self.with_arcs(points, feed)
        } else {
            self.straight(points, feed)
        };
        if !moved {
            // Nowhere to go: the beam stays off.
            self.out.truncate(before.0);
            self.line = before.1;
            return;
        }
        self.line(&dialect.beam_off);
    }
    /// One move on a line of its own; the first one of a cut carries the feed.
    fn travel(&mut self, words: &str, feed: &mut Option<String>) {
        self.number_line();
        self.out.extend_from_slice(words.as_bytes());
        self.out
            .extend_from_slice(feed.take().unwrap_or_default().as_bytes());
        self.out.push(b'\n');
    }
    /// A straight move or jump: its code, the axis words, and what follows them.
    fn move_to(&mut self, code: &str, to: &Words, after: &str) {
        let places = self.recipe.rs274.decimals as usize;
        let Words::Short { x, y } = *to else {
            if let Words::Long(words) = to {
                self.raw(&format!("{code}{words}{after}"));
            }
            return;
        };
        // From its end to its beginning, as numbers are.
        let mut text = [b'\n'; 2 * FIXED_LENGTH + 8];
        let mut at = text.len() - usize::from(after.is_empty());
        at = write_fixed(y, places, &mut text[..at]);
        for (letters, number) in [(&b" Y"[..], Some(x)), (b"X", None)] {
            at -= letters.len();
            text[at..at + letters.len()].copy_from_slice(letters);
            if let Some(number) = number {
                at = write_fixed(number, places, &mut text[..at]);
            }
        }
        self.out.extend_from_slice(code.as_bytes());
        self.out.extend_from_slice(&text[at..]);
        if !after.is_empty() {
            self.raw(after);
        }
    }
    /// Moves along the points after the first; whether there were any.
    fn straight(&mut self, points: &[[f64; 2]], feed: String) -> bool {
        let Some((first, rest)) = points.split_first() else {
            return false;
        };
        let mut feed = Some(feed);
        let mut last = Words::of(*first, self.recipe);
        for p in rest {
            let words = Words::of(*p, self.recipe);
            // Points that fall together at the written decimals are one.
            if words == last {
                continue;
            }
            self.number_line();
            self.move_to("G1 ", &words, &feed.take().unwrap_or_default());
            last = words;
        }
        feed.is_none()
    }
    /// The same with arcs (G2, G3 with I and J) in place of many short moves, in commanded coordinates,
    /// where a measured scale has already made circles of what will be circles to the controller.
    fn with_arcs(&mut self, points: &[[f64; 2]], feed: String) -> bool {
        let mut feed = Some(feed);
        let scan = &self.recipe.scan;
        let written = |p: [f64; 2]| p.map(|v| self.number(v).parse::<f64>().unwrap_or(v));
        let commanded: Vec<[f64; 2]> = points
            .iter()
            .map(|p| [p[0] / scan.scale_x, p[1] / scan.scale_y])
            .collect();
        let pieces = arcs::fit_written(&commanded, self.recipe.tolerance_um() * 1e-3, written);
        let mut at = commanded.first().map(|p| written(*p)).unwrap_or_default();
        for piece in pieces {
            let to = [0, 1].map(|i| self.number(piece.to()[i]));
            let end = format!("X{} Y{}", to[0], to[1]);
            let to = [0, 1].map(|i| to[i].parse::<f64>().unwrap_or(piece.to()[i]));
            if to == at {
                continue;
            }
            let words = match piece {
                arcs::Piece::Line { .. } => format!("G1 {end}"),
                arcs::Piece::Arc {
                    centre, clockwise, ..
                } => format!(
                    "{} {end} I{} J{}",
                    if clockwise { "G2" } else { "G3" },
                    self.number(centre[0] - at[0]),
                    self.number(centre[1] - at[1])
                ),
            };
            self.travel(&words, &mut feed);
            at = to;
        }
        feed.is_none()
    }
}

/// Axis words of a point, the scanner's measured scale taken out.
#[derive(Debug, PartialEq, Eq)]
enum Words {
    /// Both numbers in units of the last decimal written.
    Short {
        x: i64,
        y: i64,
    },
    Long(String),
}

impl Words {
    fn of(p: [f64; 2], recipe: &Recipe) -> Words {
        let scan = &recipe.scan;
        let places = recipe.rs274.decimals as usize;
        let p = [p[0] / scan.scale_x, p[1] / scan.scale_y];
        let [x, y] = p.map(|v| fixed(v, places));
        if let (Some(x), Some(y)) = (x, y) {
            return Words::Short { x, y };
        }
        let mut words = String::from("X");
        push_fixed(&mut words, p[0], places);
        words.push_str(" Y");
        push_fixed(&mut words, p[1], places);
        Words::Long(words)
    }
}

fn header(body: &mut Body<'_>, plan: &Plan) {
    let (s, recipe, d) = (&plan.settings, body.recipe, &body.recipe.rs274);
    let n = |v: f64| trim_number(v, 4);
    let b = plan.sheet_mm;
    let mut lines = vec![
        "foilwright job: cuts a stencil in foil with a laser".to_owned(),
        format!("artwork: {}", plan.artwork),
        format!("layer: {}", plan.layer),
    ];
    if plan.forced {
        lines.push(
            "WARNING: written with --force in spite of findings that block; see the report"
                .to_owned(),
        );
    }
    if !plan.clearing.is_empty() {
        let numbers: Vec<String> = plan.clearing.iter().map(u32::to_string).collect();
        lines.extend([
            format!("clearing: {}", numbers.join(" ")),
            "WARNING: these paths are cut again and come out wider; only for foil that was not moved since"
                .to_owned(),
        ]);
    }
    lines.extend(plan.tie_bars.map(|n| format!("tie_bars: {n}")));
    lines.extend([
        format!("sheet_mm: {} {} {} {}", n(b[0]), n(b[1]), n(b[2]), n(b[3])),
        format!("sheet size: {} x {} mm; job 0, 0 at the sheet's {}; y up", n(b[2] - b[0]), n(b[3] - b[1]), s.origin),
        format!("laser_side: {}", s.laser_side),
        match s.laser_side.as_str() {
            "substrate" => "the laser cuts the side that will lie on the substrate: the job is mirrored".to_owned(),
            _ => "the laser cuts the side that will face the deposition source: the job is not mirrored".to_owned(),
        },
        match plan.sheet_tabs() {
            0 => "sheet outline: not cut".to_owned(),
            tabs => format!("sheet outline: cut last, held by {tabs} tabs of {} um", n(recipe.sheet.tab_um)),
        },
        format!("material: {} {} um", s.material, n(s.thickness_um)),
        format!("kerf_um: {}", n(s.kerf_um)),
        format!("passes: {}", s.passes),
        format!("scheme: {}", s.scheme),
        format!("order: {}", s.order),
        format!("power_w: {}", n(s.rated_power_w * s.power_percent / 100.0)),
        format!("power_percent: {} of {} W", n(s.power_percent), n(s.rated_power_w)),
        format!("pulse_rate_khz: {} - set it at the machine, RS-274 cannot", n(s.pulse_rate_khz)),
        format!("pulse_width_ns: {} - set it at the machine", n(s.pulse_width_ns)),
        format!("focus_offset_mm: {} - set it at the machine", n(s.focus_offset_mm)),
        format!("cut_speed_mm_s: {}", n(s.cut_speed_mm_s)),
        format!("jump_speed_mm_s: {}", n(s.jump_speed_mm_s)),
        format!("jump_settle_ms: {}", n(s.jump_settle_ms)),
        format!("scale_x: {}", n(s.scale_x)),
        format!("scale_y: {}", n(s.scale_y)),
        format!("field_mm: {}", n(s.field_mm)),
        format!("scanner step: {} um", n(recipe.position_step_um())),
        format!(
            "time: {} - beam on {}, jumps {}, pauses {}",
            show_time_s(plan.timing.job_s),
            show_time_s(plan.timing.beam_on_s),
            show_time_s(plan.timing.jump_s),
            show_time_s(plan.timing.dwell_s)
        ),
        "dialect assumed - check each against your controller:".to_owned(),
        format!("power_full_scale: {}", n(d.power_full_scale)),
        format!("power word: {} with {} at 100 percent", d.power_word, n(d.power_full_scale)),
        format!("dwell_unit: {}", d.dwell_unit.word()),
        format!("beam on: {}, beam off: {}, G0 moves with the beam off", d.beam_on, d.beam_off),
        format!("decimals: {}", d.decimals),
        match d.arcs {
            true => "arcs: G2 and G3 with I and J from the start of the arc".to_owned(),
            false => "arcs: none".to_owned(),
        },
        "cautions: invisible class 4 laser radiation - enclose, interlock, wear eyewear for this".to_owned(),
        "wavelength and pulse mode, extract the fume. Dry-run with the beam off, keep the stop in reach.".to_owned(),
        "See SAFETY.md. Local codes, the machine's manual and qualified personnel take precedence.".to_owned(),
    ]);
    for line in lines {
        body.comment(&line);
    }
}
