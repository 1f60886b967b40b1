//! What a controller leaves open: the dialect a job is read with.

use super::names::{self, Said};
use crate::motion::{Burn, Motion};
use crate::recipe::Recipe;
use crate::recipe::keys::{DwellUnit, Origin};

/// How job files are to be understood, and the machine they run on.
#[derive(Debug, Clone, PartialEq)]
pub struct Dialect {
    /// Power word at full power.
    pub power_full_scale: f64,
    /// Letter of the power word.
    pub power_letter: u8,
    /// Seconds per unit of the dwell word.
    pub dwell_unit_s: f64,
    /// M code that turns the beam on, beside M3 and M4; and off, beside M5.
    pub beam_on: Option<u32>,
    pub beam_off: Option<u32>,
    pub max_line: usize,
    /// Mean power at 100 %, watts.
    pub rated_power_w: f64,
    /// Speed for formats that carry none.
    pub cut_speed_mm_s: f64,
    pub cut_power_w: f64,
    pub jump_speed_mm_s: f64,
    pub jump_settle_s: f64,
    /// True length over commanded length.
    pub scale: [f64; 2],
    /// The field in commanded millimetres: x min, y min, x max, y max.
    pub field_mm: [f64; 4],
}

impl Dialect {
    /// The dialect and the machine of a recipe.
    pub fn from_recipe(recipe: &Recipe) -> Dialect {
        let r = &recipe.rs274;
        let f = recipe.scan.field_mm;
        Dialect {
            power_full_scale: r.power_full_scale,
            power_letter: r
                .power_word
                .trim()
                .bytes()
                .next()
                .filter(u8::is_ascii_alphabetic)
                .unwrap_or(b'S')
                .to_ascii_uppercase(),
            dwell_unit_s: match r.dwell_unit {
                DwellUnit::Seconds => 1.0,
                DwellUnit::Milliseconds => 1e-3,
            },
            beam_on: m_code(&r.beam_on),
            beam_off: m_code(&r.beam_off),
            max_line: (r.max_line as usize).min(256),
            rated_power_w: recipe.laser.rated_power_w,
            cut_speed_mm_s: recipe.scan.cut_speed_mm_s,
            cut_power_w: recipe.power_w(),
            jump_speed_mm_s: recipe.scan.jump_speed_mm_s,
            jump_settle_s: recipe.scan.jump_settle_ms * 1e-3,
            scale: [recipe.scan.scale_x, recipe.scan.scale_y],
            field_mm: match recipe.scan.origin {
                Origin::Centre => [-f / 2.0, -f / 2.0, f / 2.0, f / 2.0],
                Origin::Corner => [0.0, 0.0, f, f],
            },
        }
    }

    /// Whether a commanded point lies in the field, a rounding of the last digit aside.
    pub fn in_field(&self, p: [f64; 2]) -> bool {
        let slack = 1e-4;
        p[0] >= self.field_mm[0] - slack
            && p[1] >= self.field_mm[1] - slack
            && p[0] <= self.field_mm[2] + slack
            && p[1] <= self.field_mm[3] + slack
    }

    /// Whether a point on the foil lies in the field.
    pub(super) fn reaches(&self, p: [f64; 2]) -> bool {
        self.in_field([p[0] / self.scale[0], p[1] / self.scale[1]])
    }

    /// From commanded millimetres to millimetres on the foil.
    pub fn on_foil(&self, p: [f64; 2]) -> [f64; 2] {
        [p[0] * self.scale[0], p[1] * self.scale[1]]
    }

    pub(super) fn jump_s(&self, from: Option<[f64; 2]>, to: [f64; 2]) -> f64 {
        let d = from.map_or(0.0, |f| crate::polyline::distance(f, to));
        d / self.jump_speed_mm_s + self.jump_settle_s
    }
}

fn m_code(line: &str) -> Option<u32> {
    let rest = line.trim().strip_prefix(['M', 'm'])?;
    let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
    digits.parse().ok()
}

/// A clock that strings burns, jumps and dwells together in time.
#[derive(Debug, Default)]
pub(super) struct Clock {
    pub motion: Motion,
    pub lines: Vec<Vec<u32>>,
    pub time_s: f64,
    pub points: usize,
    /// What the file says of each burn's name.
    said: Vec<Said>,
}

impl Clock {
    /// Adds a burn of given points; the clock moves on by its length.
    pub fn burn(&mut self, burn: Burn, lines: Vec<u32>, said: Said) {
        self.time_s = burn.end_s();
        self.points += burn.points.len();
        self.motion.burns.push(burn);
        self.lines.push(lines);
        self.said.push(said);
    }
    /// Gives all burns their names; once, at the end.
    pub fn name(&mut self) {
        names::give(&mut self.motion.burns, &self.said);
    }
    pub fn dwell(&mut self, seconds: f64) {
        self.motion.dwells.push((self.time_s, seconds));
        self.time_s += seconds;
    }
}
