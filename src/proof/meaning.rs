//! What the words of a line of RS-274/NGC do (NIST IR 6556, sections 3.3 and 3.4), and which may stand together.

use super::{Dialect, Faults};
use std::collections::BTreeMap;

const MM_PER_INCH: f64 = 25.4;

/// Motion of modal group 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Mode {
    Rapid,
    Feed,
    Arc { clockwise: bool },
    Cancelled,
}

/// The words of a line by what they do.
#[derive(Debug, Default)]
pub(super) struct Words {
    pub axis: [Option<f64>; 2],
    pub centre: [Option<f64>; 2],
    pub radius: Option<f64>,
    pub feed: Option<f64>,
    pub power: Option<f64>,
    pub p: Option<f64>,
    pub beam: Option<bool>,
    pub dwell: bool,
    pub unit_mm: Option<f64>,
    pub absolute: Option<bool>,
    pub mode: Option<Mode>,
    pub inverse_time: bool,
    pub end: bool,
}

/// Sorts the words of a line by meaning, while in `mode`; `None` when the line breaks a rule that keeps it from being run
/// at all.
pub(super) fn sort(
    list: &[(u8, f64)],
    mode: Option<Mode>,
    n: u32,
    dialect: &Dialect,
    faults: &mut Faults,
) -> Option<Words> {
    let mut sorter = Sorter {
        n,
        dialect,
        faults,
        words: Words::default(),
        custom: false,
    };
    sorter.sort(list, mode)?;
    Some(sorter.words)
}

struct Sorter<'a> {
    n: u32,
    dialect: &'a Dialect,
    faults: &'a mut Faults,
    words: Words,
    /// The line has a beam word of the dialect's own.
    custom: bool,
}

impl Sorter<'_> {
    fn sort(&mut self, list: &[(u8, f64)], mode: Option<Mode>) -> Option<()> {
        let mut seen = [false; 26];
        let mut groups: BTreeMap<&'static str, f64> = BTreeMap::new();
        let mut m_count = 0;
        for (i, &(letter, value)) in list.iter().enumerate() {
            let slot = &mut seen[usize::from(letter - b'A')];
            if *slot && !matches!(letter, b'G' | b'M') {
                self.faults.blocking(
                    self.n,
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
                            self.n,
                            "line-number",
                            "N must come first and be 0 to 99999",
                        );
                    }
                    None
                }
                b'G' => Some(self.g_word(value)?),
                b'M' => {
                    m_count += 1;
                    Some(self.m_word(value)?)
                }
                l if l == self.dialect.power_letter => {
                    self.words.power = Some(value);
                    None
                }
                b'X' => keep(&mut self.words.axis[0], value),
                b'Y' => keep(&mut self.words.axis[1], value),
                b'I' => keep(&mut self.words.centre[0], value),
                b'J' => keep(&mut self.words.centre[1], value),
                b'R' => keep(&mut self.words.radius, value),
                b'F' => keep(&mut self.words.feed, value),
                b'P' => keep(&mut self.words.p, value),
                _ => {
                    self.faults.blocking(
                        self.n,
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
                    self.n,
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
                self.n,
                "modal-conflict",
                "more than four M words on one line (section 3.3.2)",
            );
            return None;
        }
        if self.words.p.is_some() && !self.words.dwell && !self.custom {
            self.faults.blocking(self.n, "word-unused", "P without G4");
        }
        let arc = matches!(self.words.mode.or(mode), Some(Mode::Arc { .. }));
        if (self.words.radius.is_some() || self.words.centre.iter().any(Option::is_some)) && !arc {
            self.faults
                .blocking(self.n, "word-unused", "I, J or R without an arc");
        }
        Some(())
    }

    /// What a G word does, and its modal group (section 3.4, table 4).
    fn g_word(&mut self, value: f64) -> Option<&'static str> {
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
                self.words.dwell = true;
                return Some("non-modal");
            }
            170 => return Some("plane"),
            200 | 210 => {
                let unit = if code == 200 { MM_PER_INCH } else { 1.0 };
                self.words.unit_mm = Some(unit);
                return Some("units");
            }
            400 => return Some("radius compensation"),
            490 => return Some("length offset"),
            540 => return Some("coordinate system"),
            610 | 611 | 640 => return Some("path control"),
            900 | 910 => {
                self.words.absolute = Some(code == 900);
                return Some("distance mode");
            }
            930 => {
                self.words.inverse_time = true;
                return Some("feed mode");
            }
            940 => return Some("feed mode"),
            980 | 990 => return Some("return level"),
            _ => {
                self.faults.blocking(
                    self.n,
                    "unsupported",
                    format!("G{value} is not read here: it has no use in a cutting job"),
                );
                return None;
            }
        };
        self.words.mode = Some(mode);
        Some("motion")
    }

    /// What an M word does, and its modal group.
    fn m_word(&mut self, value: f64) -> Option<&'static str> {
        let code = (value.fract() == 0.0 && (0.0..1e6).contains(&value)).then_some(value as u32);
        match code {
            c if c.is_some() && c == self.dialect.beam_on => {
                self.custom = true;
                self.words.beam = Some(true);
                Some("beam")
            }
            c if c.is_some() && c == self.dialect.beam_off => {
                self.custom = true;
                self.words.beam = Some(false);
                Some("beam")
            }
            Some(3 | 4) => {
                self.words.beam = Some(true);
                Some("beam")
            }
            Some(5) => {
                self.words.beam = Some(false);
                Some("beam")
            }
            Some(2 | 30) => {
                self.words.end = true;
                Some("stopping")
            }
            Some(48 | 49) => Some("overrides"),
            _ => {
                self.faults.blocking(
                    self.n,
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
