//! The page's physical size, from the root element's attributes.

use super::Refusal;

/// Lengths of CSS absolute units in millimetres (CSS Values 4, 6.2): `px` is left out on purpose, since
/// programs disagree about it.
fn unit_mm(unit: &str) -> Option<f64> {
    Some(match unit {
        "mm" => 1.0,
        "cm" => 10.0,
        "in" => 25.4,
        "pt" => 25.4 / 72.0,
        "pc" => 25.4 / 6.0,
        "q" => 0.25,
        _ => return None,
    })
}

/// A length as written on the root element.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Written {
    Missing,
    Physical(f64),
    /// A number without unit, in `px`, or in a unit relative to something.
    Relative,
    Broken,
}

pub(super) fn written(value: Option<&str>) -> Written {
    let Some(value) = value.map(str::trim).filter(|v| !v.is_empty()) else {
        return Written::Missing;
    };
    let lower = value.to_ascii_lowercase();
    // The exponent's `e` is no unit: take the longest head that is a number.
    let Some((number, unit)) = (1..=lower.len())
        .rev()
        .filter(|&i| lower.is_char_boundary(i))
        .find_map(|i| Some((lower[..i].trim().parse::<f64>().ok()?, lower[i..].trim())))
    else {
        return if lower == "auto" {
            Written::Missing
        } else {
            Written::Broken
        };
    };
    if !number.is_finite() {
        return Written::Broken;
    }
    match unit_mm(unit) {
        Some(mm) => Written::Physical(number * mm),
        None if ["", "px", "%", "em", "ex", "rem", "ch", "vw", "vh"].contains(&unit) => {
            Written::Relative
        }
        None => Written::Broken,
    }
}

/// How the page's size is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum PageSize {
    /// Both sides, millimetres.
    Physical([f64; 2]),
    /// The width, millimetres; the height follows the drawing's own proportions.
    Width(f64),
}

/// Largest side of a page, millimetres: what the integer grid holds with room to spare.
pub(super) const LARGEST_MM: f64 = 1000.0;

/// Decides the page size from the root's attributes and `--width`.
/// Answers also whether `--width` was given in vain.
pub(super) fn page_size(
    width: Option<&str>,
    height: Option<&str>,
    view_box: Option<[f64; 4]>,
    asked_mm: Option<f64>,
) -> Result<(PageSize, bool), Refusal> {
    let (w, h) = (written(width), written(height));
    let show = |name: &str, value: Option<&str>| match value {
        Some(v) => format!("{name}=\"{v}\""),
        None => format!("no {name}"),
    };
    let sides = format!("{}, {}", show("width", width), show("height", height));
    if w == Written::Broken || h == Written::Broken {
        return Err(Refusal::new(
            "bad-size",
            format!("the page size ({sides}) is not a length"),
            "write the root element's width and height with units, such as width=\"25mm\" height=\"25mm\"",
        ));
    }
    if let Some(b) = view_box.filter(|b| b[2] == 0.0 || b[3] == 0.0) {
        // SVG 1.1, 7.7: a value of zero disables rendering of the element.
        return Err(Refusal::new(
            "empty-page",
            format!(
                "its viewBox is {} wide and {} high, so that nothing of the drawing shows",
                b[2], b[3]
            ),
            "give the root element's viewBox a width and a height larger than zero",
        ));
    }
    let ratio = view_box
        .filter(|b| b[2] > 0.0 && b[3] > 0.0)
        .map(|b| b[3] / b[2]);
    let physical = match (w, h, ratio) {
        (Written::Physical(w), Written::Physical(h), _) => Some([w, h]),
        (Written::Physical(w), Written::Missing, Some(r)) => Some([w, w * r]),
        (Written::Missing, Written::Physical(h), Some(r)) => Some([h / r, h]),
        _ => None,
    };
    match (physical, asked_mm) {
        (Some(size), asked) => {
            if !(size[0] > 0.0 && size[1] > 0.0) {
                return Err(Refusal::new(
                    "empty-page",
                    format!("the page has no area ({sides})"),
                    "give the root element a width and a height larger than zero",
                ));
            }
            if size[0] > LARGEST_MM || size[1] > LARGEST_MM {
                return Err(Refusal::new(
                    "page-too-large",
                    format!(
                        "the page is {:.1} x {:.1} mm, more than {LARGEST_MM} mm",
                        size[0], size[1]
                    ),
                    "check the units of the root element's width and height",
                ));
            }
            Ok((PageSize::Physical(size), asked.is_some()))
        }
        (None, Some(asked)) if asked > 0.0 && asked <= LARGEST_MM => {
            Ok((PageSize::Width(asked), false))
        }
        (None, Some(asked)) => Err(Refusal::new(
            "bad-size",
            format!("a width of {asked} mm is outside 0 to {LARGEST_MM} mm"),
            "pass the drawing's real width, such as --width 25mm",
        )),
        (None, None) => Err(Refusal::new(
            "no-physical-size",
            format!("the drawing has no physical size ({sides})"),
            "pass its real width, such as --width 25mm, or write the root element's width and height in mm",
        )),
    }
}
