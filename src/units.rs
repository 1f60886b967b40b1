//! Lengths and times at the doors: parsing what a person types, printing what a person reads.
//!
//! Inside the library every bare number carries its unit in its name.

use thiserror::Error;

/// One micrometre in the integer grid of [`crate::regions`].
pub const NM_PER_UM: f64 = 1e3;
/// One millimetre in the integer grid of [`crate::regions`].
pub const NM_PER_MM: f64 = 1e6;
/// One thousandth of an inch, exact by definition (1 in = 25.4 mm).
pub const UM_PER_MIL: f64 = 25.4;

/// Millimetres in whole nanometres, halves away from zero, as `f64::round` gives them and quicker: the largest number
/// below a half, added before the fraction is dropped, takes just halves and what is above them up.
pub fn whole_nm(mm: f64) -> i32 {
    let nm = mm * NM_PER_MM;
    (nm + 0.499_999_999_999_999_94_f64.copysign(nm)) as i32
}

#[derive(Debug, Error, PartialEq)]
pub enum UnitError {
    #[error("`{text}` has no unit: write it with one, such as {example}")]
    NoUnit { text: String, example: &'static str },
    #[error("`{text}` is not a number with a unit such as {example}")]
    NotANumber { text: String, example: &'static str },
    #[error("`{text}`: the unit `{unit}` is not known here; use {known}")]
    UnknownUnit {
        text: String,
        unit: String,
        known: &'static str,
    },
}

fn split_quantity<'a>(text: &'a str, example: &'static str) -> Result<(f64, &'a str), UnitError> {
    let trimmed = text.trim();
    let not_a_number = || UnitError::NotANumber {
        text: text.to_owned(),
        example,
    };
    // The unit is the longest tail without digits, so that `1e3um` still splits before `um`.
    let split = trimmed
        .rfind(|c: char| c.is_ascii_digit() || c == '.')
        .map(|i| i + 1)
        .ok_or_else(not_a_number)?;
    let (number, unit) = trimmed.split_at(split);
    let value: f64 = number.trim().parse().map_err(|_| not_a_number())?;
    if !value.is_finite() {
        return Err(not_a_number());
    }
    Ok((value, unit.trim()))
}

/// Reads a length with a unit (`8um`, `0.2mm`, `1mil`, `1thou`, `2cm`, `1in`); answers in micrometres.
///
/// # Errors
/// A bare number, a word, or a unit that is no length.
pub fn parse_length_um(text: &str) -> Result<f64, UnitError> {
    let example = "8um or 0.2mm";
    let (value, unit) = split_quantity(text, example)?;
    let factor = match unit {
        "" => {
            return Err(UnitError::NoUnit {
                text: text.to_owned(),
                example,
            });
        }
        "nm" => 1e-3,
        "um" | "µm" | "μm" => 1.0,
        "mm" => 1e3,
        "cm" => 1e4,
        "in" => 1e3 * UM_PER_MIL,
        "mil" | "thou" => UM_PER_MIL,
        _ => {
            return Err(UnitError::UnknownUnit {
                text: text.to_owned(),
                unit: unit.to_owned(),
                known: "nm, um, mm, cm, in, mil or thou",
            });
        }
    };
    Ok(value * factor)
}

/// Reads a time with a unit (`0.5s`, `20ms`, `100us`); answers in seconds.
///
/// # Errors
/// A bare number, a word, or a unit that is no time.
pub fn parse_time_s(text: &str) -> Result<f64, UnitError> {
    let example = "0.5s or 20ms";
    let (value, unit) = split_quantity(text, example)?;
    let factor = match unit {
        "" => {
            return Err(UnitError::NoUnit {
                text: text.to_owned(),
                example,
            });
        }
        "us" | "µs" | "μs" => 1e-6,
        "ms" => 1e-3,
        "s" => 1.0,
        "min" => 60.0,
        _ => {
            return Err(UnitError::UnknownUnit {
                text: text.to_owned(),
                unit: unit.to_owned(),
                known: "us, ms, s or min",
            });
        }
    };
    Ok(value * factor)
}

/// Prints a length with the unit that keeps it short: `8 um`, `1.25 mm`.
pub fn show_length_um(um: f64) -> String {
    if um.abs() >= 1000.0 {
        format!("{} mm", trim_number(um / 1000.0, 3))
    } else {
        format!("{} um", trim_number(um, 2))
    }
}

/// Prints a duration for people: `0.8 s`, `3 min 20 s`, `1 h 05 min`.
pub fn show_time_s(s: f64) -> String {
    if s < 0.1 {
        return format!("{} ms", trim_number(s * 1e3, 1));
    }
    if s < 60.0 {
        return format!("{} s", trim_number(s, 1));
    }
    let whole = s.round() as u64;
    let (h, m, rest) = (whole / 3600, whole / 60 % 60, whole % 60);
    if h > 0 {
        format!("{h} h {m:02} min")
    } else {
        format!("{m} min {rest:02} s")
    }
}

/// A decimal with at most `places` digits after the point and no trailing zeros.
pub fn trim_number(value: f64, places: usize) -> String {
    let mut text = String::new();
    push_fixed(&mut text, value, places);
    if text.contains('.') {
        let kept = text.trim_end_matches('0').trim_end_matches('.').len();
        text.truncate(kept);
    }
    text
}

/// Appends a number with a fixed count of decimals, as `format!("{value:.places$}")` rounds it, without a
/// minus before zero.
pub fn push_fixed(out: &mut String, value: f64, places: usize) {
    let mut text = [0; FIXED_LENGTH];
    if let Some(whole) = fixed(value, places) {
        let start = write_fixed(whole, places, &mut text);
        out.push_str(std::str::from_utf8(&text[start..]).unwrap_or_default());
    } else {
        out.push_str(&fixed_exactly(value, places));
    }
}

/// The number times 10^`places`, rounded to a whole one as `format!("{value:.places$}")` rounds it, several times
/// faster where it is not near a tie; `None` where that fits no `i64`.
pub fn fixed(value: f64, places: usize) -> Option<i64> {
    const POWERS: [f64; 7] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6];
    /// Below this the scaled value fits an `i32` and is exact to 1e-6.
    const LARGEST: f64 = 2e9;
    /// 1.5 x 2^52: added to a smaller number, it leaves that rounded to a whole one in the lowest bits.
    const ROUNDING: f64 = 6_755_399_441_055_744.0;
    if let Some(power) = POWERS.get(places) {
        let scaled = value * power;
        if scaled.abs() < LARGEST {
            let whole = (scaled + ROUNDING).to_bits() as i32;
            if (scaled - f64::from(whole)).abs() < 0.499 {
                return Some(i64::from(whole));
            }
        }
    }
    let mut text = (places <= MOST_PLACES).then(|| fixed_exactly(value, places))?;
    text.retain(|c| c != '.');
    text.parse().ok()
}

/// Most decimals of a number given as a whole one.
const MOST_PLACES: usize = 15;
/// Room for a number written by [`write_fixed`]: a sign, a point, and the digits of an `i64`.
pub const FIXED_LENGTH: usize = 24;

/// Writes a number given as by [`fixed`] to the end of `text`; gives the place where it begins.
pub fn write_fixed(whole: i64, places: usize, text: &mut [u8]) -> usize {
    let mut at = text.len();
    let left = if places == 0 {
        whole.unsigned_abs()
    } else {
        let left = push_digits(whole.unsigned_abs(), places, text, &mut at);
        at -= 1;
        text[at] = b'.';
        left
    };
    let mut left = push_digits(left, 1, text, &mut at);
    while left > 0 {
        left = push_digits(left, 1, text, &mut at);
    }
    if whole < 0 {
        at -= 1;
        text[at] = b'-';
    }
    at
}

/// Writes the lowest `count` digits before `at`; gives what is left of the number.
fn push_digits(mut left: u64, count: usize, text: &mut [u8], at: &mut usize) -> u64 {
    let mut push = |digit: u64| {
        *at -= 1;
        text[*at] = b'0' + digit as u8;
    };
    for _ in 0..count / 2 {
        let two = left % 100;
        left /= 100;
        push(two % 10);
        push(two / 10);
    }
    if count % 2 == 1 {
        push(left % 10);
        left /= 10;
    }
    left
}

fn fixed_exactly(value: f64, places: usize) -> String {
    let mut text = format!("{value:.places$}");
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    if zero && text.starts_with('-') {
        text.remove(0);
    }
    text
}

/// The ending of a word that is counted.
pub fn plural(n: usize) -> &'static str {
    if n == 1 { "" } else { "s" }
}
