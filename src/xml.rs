//! What a text asks of an XML parser, looked at before one is asked: nesting overruns recursive parsers, and many
//! attributes or name prefixes on one element are each compared with all others.

/// Deepest nesting of elements read; drawing programs stay far below.
pub(crate) const DEEPEST: usize = 256;
/// Most attributes of one element; drawing programs write some dozens.
pub(crate) const MOST_ATTRIBUTES: usize = 1000;
/// Most name prefixes that an element is within reach of; drawing programs declare about ten.
pub(crate) const MOST_PREFIXES: usize = 200;

/// What is beyond these bounds.
pub(crate) struct Beyond {
    pub line: usize,
    pub code: &'static str,
    pub what: String,
    pub hint: &'static str,
}

/// Refuses what a parser cannot read in bounded time and stack, without recursing itself.
pub(crate) fn check(text: &str) -> Result<(), Beyond> {
    let bytes = text.as_bytes();
    let beyond = |at: usize, code, what, hint| Beyond {
        line: text[..at].matches('\n').count() + 1,
        code,
        what,
        hint,
    };
    // Of each open element, the prefixes declared in it and around it.
    let mut open: Vec<usize> = Vec::new();
    let mut i = 0;
    let skip_to = |from: usize, end: &str| {
        text[from..]
            .find(end)
            .map_or(bytes.len(), |at| from + at + end.len())
    };
    while let Some(at) = bytes[i..].iter().position(|b| *b == b'<') {
        i += at;
        let rest = &bytes[i..];
        if rest.starts_with(b"<!--") {
            i = skip_to(i + 4, "-->");
        } else if rest.starts_with(b"<![CDATA[") {
            i = skip_to(i + 9, "]]>");
        } else if rest.starts_with(b"<?") {
            i = skip_to(i + 2, "?>");
        } else if rest.starts_with(b"<!") {
            i += 2;
        } else if rest.starts_with(b"</") {
            open.pop();
            i += 2;
        } else {
            // To the tag's end, over quoted attribute values.
            let mut attributes = 0;
            let mut prefixes = open.last().copied().unwrap_or(0);
            let mut j = i + 1;
            while j < bytes.len() && bytes[j] != b'>' {
                let b = bytes[j];
                if b == b'=' {
                    attributes += 1;
                } else if b == b'x' && bytes[j..].starts_with(b"xmlns:") {
                    prefixes += 1;
                }
                j += 1;
                if b == b'"' || b == b'\'' {
                    let end = text[j..].find(char::from(b));
                    j = end.map_or(bytes.len(), |at| j + at + 1);
                }
            }
            if attributes > MOST_ATTRIBUTES {
                return Err(beyond(
                    i,
                    "too-many-attributes",
                    format!(
                        "an element has {attributes} attributes, more than the {MOST_ATTRIBUTES} read here"
                    ),
                    "save the drawing again as plain SVG",
                ));
            }
            if prefixes > MOST_PREFIXES {
                return Err(beyond(
                    i,
                    "too-many-prefixes",
                    format!(
                        "{prefixes} name prefixes (xmlns:) hold here, more than the {MOST_PREFIXES} read"
                    ),
                    "save the drawing again as plain SVG",
                ));
            }
            if bytes[j - 1] != b'/' {
                if open.len() == DEEPEST {
                    return Err(beyond(
                        i,
                        "too-deep",
                        format!("elements are nested deeper than {DEEPEST}"),
                        "ungroup the drawing",
                    ));
                }
                open.push(prefixes);
            }
            i = j;
        }
    }
    Ok(())
}
