//! The recipe: everything about foil, laser and process in one TOML file.
//!
//! Every key has its unit in its name, a default, bounds and a clear error; see [`keys`].

mod builtin;
pub mod keys;
pub mod setting;

use crate::finding::shortened;
pub use builtin::{BUILT_IN, built_in};
pub use keys::*;
use setting::KeySpec;
use std::path::Path;
use thiserror::Error;

#[derive(Debug, Error)]
pub enum RecipeError {
    #[error("recipe {file}: {message}")]
    Syntax { file: String, message: String },
    #[error("recipe {file}: unknown {what} `{name}`{nearest}")]
    Unknown {
        file: String,
        what: &'static str,
        name: String,
        nearest: String,
    },
    #[error("recipe {file}: [{section}] {key}: {message}")]
    Value {
        file: String,
        section: String,
        key: String,
        message: String,
    },
    #[error(
        "recipe `{name}` is neither built in ({}) nor a file that can be read: {reason}",
        BUILT_IN.map(|(n, _)| n).join(", ")
    )]
    NotFound { name: String, reason: String },
}

macro_rules! recipe {
    ($($field:ident : $type:ident),+ $(,)?) => {
        /// Foil, laser and process. See [`keys`] for the meaning of each value.
        #[derive(Debug, Clone, PartialEq, Default)]
        pub struct Recipe {
            /// Built-in name or file the recipe came from.
            pub name: String,
            $(pub $field: $type),+
        }
        impl Recipe {
            /// Section name, what it is about, and its keys, in the order of the file.
            pub const SECTIONS: &'static [(&'static str, &'static str, &'static [KeySpec])] =
                &[$(($type::SECTION, $type::DOC, $type::KEYS)),+];
            /// Sets a key; the error says what kind of value it takes.
            pub(crate) fn set(&mut self, section: &str, key: &str, value: &toml::Value) -> Result<(), String> {
                match section { $($type::SECTION => self.$field.set(key, value),)+ _ => Err("no such section".into()) }
            }
            /// The value of a key, `None` where it is left to its rule.
            pub fn get(&self, section: &str, key: &str) -> Option<toml::Value> {
                match section { $($type::SECTION => self.$field.get(key),)+ _ => None }
            }
            fn number(&self, section: &str, key: &str) -> Option<f64> {
                match section { $($type::SECTION => self.$field.number(key),)+ _ => None }
            }
        }
    };
}

recipe! {
    foil: Foil, laser: Laser, scan: Scan, kerf: Kerf, beam: Beam, passes: Passes, tie_bars: TieBars,
    rules: Rules, film: Film, heat: Heat, rs274: Rs274, sheet: Sheet, hpgl: Hpgl,
}

fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> String {
    known
        .map(|k| (strsim::osa_distance(word, k), k))
        .min()
        .filter(|(distance, k)| *distance <= word.len().max(k.len()) / 2)
        .map(|(_, k)| format!("; did you mean `{k}`?"))
        .unwrap_or_default()
}

impl Recipe {
    /// Loads a built-in recipe by name, or a TOML file. Keys left out keep the default of `steel-25um`.
    ///
    /// # Errors
    /// A file that cannot be read, bad TOML, an unknown key (with the nearest known one), a value of the
    /// wrong kind or outside its bounds.
    pub fn load(name_or_file: &str) -> Result<Recipe, RecipeError> {
        if let Some(recipe) = built_in(name_or_file) {
            return Ok(recipe);
        }
        let text = std::fs::read_to_string(name_or_file).map_err(|e| RecipeError::NotFound {
            name: name_or_file.to_owned(),
            reason: e.to_string(),
        })?;
        let file = Path::new(name_or_file)
            .file_name()
            .map_or(name_or_file.into(), |f| f.to_string_lossy().into_owned());
        Recipe::parse(&text, &file)
    }

    /// Reads a recipe from TOML text; `file` names it in errors.
    ///
    /// # Errors
    /// As [`Recipe::load`].
    pub fn parse(text: &str, file: &str) -> Result<Recipe, RecipeError> {
        let table: toml::Table =
            text.parse()
                .map_err(|e: toml::de::Error| RecipeError::Syntax {
                    file: file.to_owned(),
                    // It shows the line in question, however long that is.
                    message: e
                        .to_string()
                        .trim_end()
                        .lines()
                        .map(shortened)
                        .collect::<Vec<_>>()
                        .join("\n"),
                })?;
        let mut recipe = Recipe {
            name: file.to_owned(),
            ..Recipe::default()
        };
        for (section, value) in &table {
            let Some((_, _, specs)) = Self::SECTIONS.iter().find(|(s, _, _)| s == section) else {
                return Err(RecipeError::Unknown {
                    file: file.to_owned(),
                    what: "section",
                    name: format!("[{}]", shortened(section)),
                    nearest: nearest(section, Self::SECTIONS.iter().map(|(s, _, _)| *s)),
                });
            };
            let Some(keys) = value.as_table() else {
                return Err(RecipeError::Syntax {
                    file: file.to_owned(),
                    message: format!(
                        "`{0}` must be a section: write [{0}] on a line of its own",
                        shortened(section)
                    ),
                });
            };
            for (key, value) in keys {
                if !specs.iter().any(|s| s.key == key) {
                    return Err(RecipeError::Unknown {
                        file: file.to_owned(),
                        what: "key",
                        name: format!("[{section}] {}", shortened(key)),
                        nearest: nearest(key, specs.iter().map(|s| s.key)),
                    });
                }
                recipe
                    .set(section, key, value)
                    .map_err(|message| RecipeError::Value {
                        file: file.to_owned(),
                        section: section.clone(),
                        key: key.clone(),
                        message,
                    })?;
            }
        }
        recipe.check(file)?;
        Ok(recipe)
    }

    /// Holds every number against its bounds and every pair of keys against each other.
    ///
    /// # Errors
    /// The first value out of bounds, with the bounds.
    pub fn check(&self, file: &str) -> Result<(), RecipeError> {
        let bad = |section: &str, key: &str, message: String| RecipeError::Value {
            file: file.to_owned(),
            section: section.to_owned(),
            key: key.to_owned(),
            message,
        };
        for (section, _, specs) in Self::SECTIONS {
            for spec in *specs {
                if let (Some((lo, hi)), Some(v)) = (spec.bounds, self.number(section, spec.key))
                    && !(lo..=hi).contains(&v)
                {
                    return Err(bad(
                        section,
                        spec.key,
                        format!("{v} is out of bounds: {lo} to {hi}"),
                    ));
                }
            }
        }
        if crate::material::find(&self.foil.material).is_none() {
            return Err(bad(
                "foil",
                "material",
                format!(
                    "`{}` is not in the table{}; known: {}",
                    shortened(&self.foil.material),
                    nearest(&self.foil.material, crate::material::names()),
                    crate::material::names().collect::<Vec<_>>().join(", ")
                ),
            ));
        }
        if self.tie_bars.max_per_island < self.tie_bars.min_per_island {
            return Err(bad(
                "tie_bars",
                "max_per_island",
                "is less than min_per_island".into(),
            ));
        }
        if let Some(tolerance_um) = self.rules.tolerance_um
            && tolerance_um > self.most_tolerance_um()
        {
            return Err(bad(
                "rules",
                "tolerance_um",
                format!(
                    "{tolerance_um} is more than half of max_edge_error_um ({}): make it smaller, or accept a larger edge error",
                    self.rules.max_edge_error_um
                ),
            ));
        }
        let dialect = &self.rs274;
        for (key, word) in [
            ("beam_on", &dialect.beam_on),
            ("beam_off", &dialect.beam_off),
        ] {
            if beam_word(word).is_none() {
                return Err(bad(
                    "rs274",
                    key,
                    format!(
                        "`{}` is no word that can switch a beam: an M and a number such as M3, M5 or M64; not M0, M1, M2, M30 or M60, which stop or end the job",
                        shortened(&word.escape_debug().to_string())
                    ),
                ));
            }
        }
        if beam_word(&dialect.beam_on) == beam_word(&dialect.beam_off) {
            return Err(bad(
                "rs274",
                "beam_off",
                format!("is the same word as beam_on (`{}`)", dialect.beam_on),
            ));
        }
        let power = dialect.power_word.as_bytes();
        if power.len() != 1
            || !power[0].is_ascii_alphabetic()
            || b"FGIJKMNPRXYZ".contains(&power[0].to_ascii_uppercase())
        {
            return Err(bad(
                "rs274",
                "power_word",
                format!(
                    "`{}` is no letter for a power: one letter such as S, and none that means something else (F G I J K M N P R X Y Z)",
                    shortened(&dialect.power_word.escape_debug().to_string())
                ),
            ));
        }
        if SheetSize::parse(&self.sheet.size).is_none() {
            return Err(bad(
                "sheet",
                "size",
                format!(
                    "`{}` is none of \"page\", \"artwork\" or a size such as \"25x25mm\"",
                    shortened(&self.sheet.size)
                ),
            ));
        }
        Ok(())
    }

    /// The recipe as a complete annotated TOML file that [`Recipe::parse`] reads back to the same values.
    pub fn to_annotated_toml(&self) -> String {
        use std::fmt::Write;
        let mut out = String::new();
        let _ = writeln!(out, "# Foilwright recipe, written from `{}`.", self.name);
        out.push_str(
            "# Every key is listed; the ones behind `#` are left to the rule that is stated.\n",
        );
        for (section, doc, specs) in Self::SECTIONS {
            let _ = writeln!(out, "\n# {}\n[{section}]", doc.trim());
            for spec in *specs {
                for line in spec.doc.lines() {
                    let _ = writeln!(out, "# {}", line.trim());
                }
                if let Some((lo, hi)) = spec.bounds {
                    let _ = writeln!(out, "# Bounds: {lo} to {hi}.");
                }
                if !spec.choices.is_empty() {
                    let _ = writeln!(out, "# One of: {}.", spec.choices.join(", "));
                }
                match self.get(section, spec.key) {
                    Some(value) => {
                        let _ = writeln!(out, "{} = {value}", spec.key);
                    }
                    None => {
                        let _ = writeln!(out, "# {} =", spec.key);
                    }
                }
            }
        }
        out
    }

    /// Narrowest web that still holds, micrometres: the larger of foil thickness and two kerfs
    /// unless set (design rule of this project, after IPC-7525 and photo-etching guides: web >= thickness).
    pub fn min_web_um(&self) -> f64 {
        self.rules
            .min_web_um
            .unwrap_or_else(|| self.foil.thickness_um.max(2.0 * self.kerf.width_um))
    }
    /// Narrowest opening, micrometres.
    pub fn min_opening_um(&self) -> f64 {
        self.rules
            .min_opening_um
            .unwrap_or_else(|| self.foil.thickness_um.max(self.kerf.width_um))
    }
    /// Slugs smaller than this are cleared whole, micrometres.
    pub fn min_slug_um(&self) -> f64 {
        self.rules.min_slug_um.unwrap_or(3.0 * self.kerf.width_um)
    }
    /// Flattening tolerance, micrometres.
    pub fn tolerance_um(&self) -> f64 {
        self.rules.tolerance_um.unwrap_or_else(|| {
            (0.1 * self.kerf.uncertainty_um)
                .max(0.1)
                .min(self.most_tolerance_um())
        })
    }
    /// Flattening may use up half of the edge error that the proof accepts, micrometres.
    fn most_tolerance_um(&self) -> f64 {
        0.5 * self.rules.max_edge_error_um
    }
    /// Distance between pulses on the foil at cutting speed, micrometres: v / f.
    pub fn pulse_pitch_um(&self) -> f64 {
        self.scan.cut_speed_mm_s / self.laser.pulse_rate_khz
    }
    /// Mean power on the foil while cutting, watts.
    pub fn power_w(&self) -> f64 {
        self.laser.rated_power_w * self.laser.power_percent / 100.0
    }
    /// Run-in and overlap of a closed cut, micrometres: at least three kerfs, three pulse pitches,
    /// and the way the beam travels while it switches.
    pub fn run_in_um(&self) -> f64 {
        let delay = self.scan.cut_speed_mm_s * self.scan.beam_delay_us * 1e-3;
        (3.0 * self.kerf.width_um)
            .max(3.0 * self.pulse_pitch_um())
            .max(delay)
    }
    /// Smallest step of the scanner, micrometres: field over 2^bits.
    pub fn position_step_um(&self) -> f64 {
        self.scan.field_mm * 1e3 / 2f64.powi(self.scan.position_bits as i32)
    }
    /// Full width of the blurred edge zone, micrometres: gap x source width / source distance.
    pub fn edge_blur_um(&self) -> f64 {
        self.film.gap_um * self.film.source_width_mm / self.film.source_distance_mm
    }
    /// Overlap at a seam of a complementary pair, micrometres.
    pub fn stitch_overlap_um(&self) -> f64 {
        self.film
            .stitch_overlap_um
            .unwrap_or_else(|| 2.0 * (self.film.alignment_um + self.edge_blur_um()))
    }
    /// What differs between the settings in use and those the kerf was measured at; empty when nothing does.
    pub fn kerf_mismatch(&self) -> Vec<String> {
        let mut out = Vec::new();
        let mut differs = |name: &str, now: String, then: String| {
            if now != then {
                out.push(format!("{name} {now} (measured at {then})"));
            }
        };
        let (k, n) = (&self.kerf, |v: f64| crate::units::trim_number(v, 3));
        differs(
            "power_percent",
            n(self.laser.power_percent),
            n(k.measured_power_percent),
        );
        differs(
            "pulse_rate_khz",
            n(self.laser.pulse_rate_khz),
            n(k.measured_pulse_rate_khz),
        );
        differs(
            "cut_speed_mm_s",
            n(self.scan.cut_speed_mm_s),
            n(k.measured_speed_mm_s),
        );
        differs(
            "passes",
            self.passes.count.to_string(),
            k.measured_passes.to_string(),
        );
        if self.passes.count > 1 {
            differs(
                "scheme",
                self.passes.scheme.word().into(),
                k.measured_scheme.word().into(),
            );
        }
        differs(
            "focus_offset_mm",
            n(self.laser.focus_offset_mm),
            n(k.measured_focus_offset_mm),
        );
        out
    }
    /// The handbook entry of the foil. Present for every recipe that passed [`Recipe::check`].
    pub fn material(&self) -> &'static crate::material::Material {
        crate::material::find(&self.foil.material).unwrap_or(&crate::material::TABLE[0])
    }
}

/// How large the foil is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SheetSize {
    /// The drawing's page.
    Page,
    /// The box of all layers plus `sheet.margin_mm`.
    Artwork,
    /// This size, centred on the artwork.
    Fixed { width_mm: f64, height_mm: f64 },
}

impl SheetSize {
    /// Reads `page`, `artwork` or `25x25mm`.
    pub fn parse(text: &str) -> Option<SheetSize> {
        match text.trim() {
            "page" => Some(SheetSize::Page),
            "artwork" => Some(SheetSize::Artwork),
            other => {
                let (w, h) = other.split_once(['x', '×'])?;
                let height_um = crate::units::parse_length_um(h).ok()?;
                let unit: String = h
                    .trim()
                    .chars()
                    .skip_while(|c| !c.is_alphabetic() && *c != 'µ')
                    .collect();
                let width_um = crate::units::parse_length_um(w)
                    .or_else(|_| crate::units::parse_length_um(&format!("{}{unit}", w.trim())))
                    .ok()?;
                (width_um > 0.0 && height_um > 0.0).then_some(SheetSize::Fixed {
                    width_mm: width_um / 1e3,
                    height_mm: height_um / 1e3,
                })
            }
        }
    }
}

/// The number of an M word that may switch the beam.
fn beam_word(word: &str) -> Option<u32> {
    let digits = word.strip_prefix(['M', 'm'])?;
    let number: u32 = Some(digits)
        .filter(|d| (1..=3).contains(&d.len()) && d.bytes().all(|b| b.is_ascii_digit()))?
        .parse()
        .ok()?;
    (![0, 1, 2, 30, 60].contains(&number)).then_some(number)
}
