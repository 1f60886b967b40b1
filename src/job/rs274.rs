//! RS-274 job files (NIST IR 6556, "The NIST RS274NGC Interpreter", 2000).
//!
//! The beam is on between a beam-on line and a beam-off line, and only cuts stand between them:
//! every jump and dwell is written with the beam off, by construction of [`Body`].

use super::plan::{Path, Plan, Step};
use super::write::{WriteError, Writer};
use crate::recipe::{CommentStyle, DwellUnit, Recipe};
use crate::units::{push_fixed, show_time_s, trim_number};
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
            out: String::new(),
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
        if dialect.line_numbers {
            body.steps(plan, &plan.steps);
        } else {
            // Without numbers no line depends on those before it.
            let parts: Vec<String> = plan
                .steps
                .par_chunks(CHUNK_STEPS)
                .map(|steps| {
                    let points: usize = steps.iter().map(|s| points_of(plan, s)).sum();
                    let mut part = Body {
                        out: String::with_capacity(64 * steps.len() + 28 * points),
                        recipe,
                        line: 0,
                    };
                    part.steps(plan, steps);
                    part.out
                })
                .collect();
            body.out.reserve(parts.iter().map(String::len).sum());
            for part in &parts {
                body.out.push_str(part);
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
        Ok(body.out.into_bytes())
    }
}

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

/// Lines of the user's own may do anything but turn the beam on or end the job early.
fn check_own_line(line: &str, recipe: &Recipe) -> Result<(), WriteError> {
    let words: String = strip_comments(line)
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_ascii_uppercase())
        .collect();
    let on = recipe.rs274.beam_on.replace(' ', "").to_ascii_uppercase();
    let mut forbidden = vec!["M3", "M4", "M03", "M04", "M2", "M02", "M30", "%"];
    if !on.is_empty() {
        forbidden.push(&on);
    }
    // A word ends where the next letter starts, so that M30 is not taken for M3 nor M3 missed in G1X1M3.
    let has = |word: &str| {
        words.match_indices(word).any(|(i, _)| {
            !words[i + word.len()..].starts_with(|c: char| c.is_ascii_digit() || c == '.')
        })
    };
    match forbidden.iter().find(|w| has(w)) {
        Some(word) => Err(WriteError::Refused(format!(
            "[rs274] header or footer line `{line}` holds {word}: your own lines may not turn the beam on or end the job"
        ))),
        None if line.contains(['\n', '\r']) || line.len() > recipe.rs274.max_line as usize => {
            Err(WriteError::Refused(format!(
                "[rs274] header or footer line `{line}` must be one line of at most {} characters",
                recipe.rs274.max_line
            )))
        }
        None => Ok(()),
    }
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
    out: String,
    recipe: &'a Recipe,
    line: u32,
}

impl Body<'_> {
    fn steps(&mut self, plan: &Plan, steps: &[Step]) {
        let dialect = &self.recipe.rs274;
        let mut words = String::new();
        for step in steps {
            match step {
                Step::Jump { to } => {
                    words.clear();
                    self.push_xy(&mut words, *to);
                    self.line(&format!("G0 {words}"));
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
                } => {
                    let p = &plan.paths[*path as usize];
                    self.comment(&path_comment(*path, *pass, p));
                    let points = plan.cut_points(*path, *from_mm, *to_mm);
                    let power = dialect.power_full_scale * plan.power_percent(*path) / 100.0;
                    self.cut(&points, power, plan.speed_mm_s(*path) * 60.0);
                }
            }
        }
    }
    fn raw(&mut self, text: &str) {
        self.out.push_str(text);
        self.out.push('\n');
    }
    fn number_line(&mut self) {
        if self.recipe.rs274.line_numbers {
            // N takes at most five digits (NIST IR 6556, 3.3.1): start over rather than overflow.
            self.line = self.line % 99_999 + 1;
            let _ = write!(self.out, "N{} ", self.line);
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
        let room = (self.recipe.rs274.max_line as usize)
            .saturating_sub(4)
            .clamp(20, 120);
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
            match style {
                CommentStyle::Parentheses => self.raw(&format!("({l})")),
                CommentStyle::Semicolon => self.raw(&format!("; {l}")),
                CommentStyle::None => {}
            }
        }
    }
    /// Axis words of a point, the scanner's measured scale taken out.
    fn push_xy(&self, out: &mut String, p: [f64; 2]) {
        let scan = &self.recipe.scan;
        let places = self.recipe.rs274.decimals as usize;
        out.push('X');
        push_fixed(out, p[0] / scan.scale_x, places);
        out.push_str(" Y");
        push_fixed(out, p[1] / scan.scale_y, places);
    }
    /// One cut: power, beam on, moves, beam off. Nothing else ever turns the beam on.
    fn cut(&mut self, points: &[[f64; 2]], power: f64, feed_mm_min: f64) {
        let Some((first, rest)) = points.split_first() else {
            return;
        };
        let dialect = &self.recipe.rs274;
        let before = (self.out.len(), self.line);
        let mut last = String::new();
        self.push_xy(&mut last, *first);
        self.line(&format!("{}{}", dialect.power_word, trim_number(power, 3)));
        self.line(&dialect.beam_on);
        let mut feed = Some(format!(" F{}", trim_number(feed_mm_min, 3)));
        let mut words = String::new();
        for p in rest {
            words.clear();
            self.push_xy(&mut words, *p);
            // Points that fall together at the written decimals are one.
            if words == last {
                continue;
            }
            self.number_line();
            self.out.push_str("G1 ");
            self.out.push_str(&words);
            if let Some(feed) = feed.take() {
                self.out.push_str(&feed);
            }
            self.out.push('\n');
            std::mem::swap(&mut words, &mut last);
        }
        if feed.is_some() {
            // Nowhere to go: the beam stays off.
            self.out.truncate(before.0);
            self.line = before.1;
            return;
        }
        self.line(&dialect.beam_off);
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
    lines.extend([
        format!("sheet_mm: {} {} {} {}", n(b[0]), n(b[1]), n(b[2]), n(b[3])),
        format!("sheet size: {} x {} mm; job 0, 0 at the sheet's {}; y up", n(b[2] - b[0]), n(b[3] - b[1]), s.origin),
        format!("laser_side: {}", s.laser_side),
        match s.laser_side.as_str() {
            "substrate" => "the laser cuts the side that will lie on the substrate: the job is mirrored".to_owned(),
            _ => "the laser cuts the side that will face the deposition source: the job is not mirrored".to_owned(),
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
        "cautions: invisible class 4 laser radiation - enclose, interlock, wear eyewear for this".to_owned(),
        "wavelength and pulse mode, extract the fume. Dry-run with the beam off, keep the stop in reach.".to_owned(),
        "See SAFETY.md. Local codes, the machine's manual and qualified personnel take precedence.".to_owned(),
    ]);
    for line in lines {
        body.comment(&line);
    }
}
