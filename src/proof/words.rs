//! The words of one line of RS-274/NGC (NIST IR 6556, section 3.3).

/// A line taken apart.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Line<'a> {
    pub block_delete: bool,
    pub words: Vec<(u8, f64)>,
    pub comments: Vec<&'a str>,
}

/// Takes a line apart. Spaces count for nothing outside comments, not even inside numbers.
///
/// # Errors
/// The code of the fault and words for it.
pub(super) fn split(text: &str) -> Result<Line<'_>, (&'static str, String)> {
    let mut line = Line::default();
    let bytes = text.as_bytes();
    let blank = |b: u8| b == b' ' || b == b'\t';
    let mut i = 0;
    let mut first = true;
    while i < bytes.len() {
        let b = bytes[i];
        if blank(b) {
            i += 1;
            continue;
        }
        match b {
            b'/' if first => {
                line.block_delete = true;
                i += 1;
            }
            b'(' => {
                let end = text[i + 1..]
                    .find(')')
                    .ok_or(("comment-unclosed", "a comment is not closed".to_owned()))?
                    + i
                    + 1;
                let inside = &text[i + 1..end];
                if inside.contains('(') {
                    return Err(("comment-nested", "a comment inside a comment".to_owned()));
                }
                line.comments.push(inside);
                i = end + 1;
            }
            b';' => {
                line.comments.push(&text[i + 1..]);
                i = bytes.len();
            }
            _ if b.is_ascii_alphabetic() => {
                let (number, next) = number(bytes, i + 1).ok_or_else(|| {
                    (
                        "unreadable",
                        format!("`{}` is not followed by a number", char::from(b)),
                    )
                })?;
                line.words.push((b.to_ascii_uppercase(), number));
                i = next;
            }
            b'#' | b'[' => {
                return Err((
                    "unsupported",
                    "parameters and expressions are not read here; write plain numbers".to_owned(),
                ));
            }
            _ => {
                let c = text[i..].chars().next().unwrap_or('?');
                return Err((
                    "unreadable",
                    format!("`{}` has no meaning here", c.escape_default()),
                ));
            }
        }
        first = false;
    }
    Ok(line)
}

/// A real number of section 3.3.2.1: sign, digits, at most one point; no exponent.
fn number(bytes: &[u8], mut i: usize) -> Option<(f64, usize)> {
    let mut text = String::new();
    let mut digits = 0;
    while i < bytes.len() {
        match bytes[i] {
            b' ' | b'\t' => {}
            s @ (b'+' | b'-') if text.is_empty() => text.push(char::from(s)),
            b'.' if !text.contains('.') => text.push('.'),
            d if d.is_ascii_digit() => {
                digits += 1;
                text.push(char::from(d));
            }
            _ => break,
        }
        i += 1;
    }
    if digits == 0 || digits > 300 {
        return None;
    }
    let value: f64 = text.parse().ok()?;
    value.is_finite().then_some((value, i))
}
