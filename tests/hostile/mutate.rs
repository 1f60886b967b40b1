//! Structured damage: numbers, words, tags, lines and brackets of a text are changed as such, so that most
//! results still look like the format they came from.

use crate::support::dice::Dice;

/// Longest input made.
pub const LARGEST: usize = 1_000_000;

const NUMBERS: [&str; 28] = [
    "0",
    "-0",
    "1",
    "-1",
    "2",
    "0.5",
    "1e308",
    "-1e308",
    "1e-308",
    "1e9",
    "-1e9",
    "1e6",
    "100000",
    "1e5",
    "NaN",
    "inf",
    "-inf",
    "2147483648",
    "-2147483649",
    "99999999999999999999",
    "4294967296",
    "0.0000001",
    "1e-7",
    ".",
    "-",
    "1.2.3",
    "1e",
    "00000000000000001",
];

/// What the mutator knows of a format.
#[derive(Clone, Copy)]
pub struct Grammar {
    /// Words that mean something in the format.
    pub words: &'static [&'static str],
    /// Opening and closing texts that may nest.
    pub pairs: &'static [(&'static str, &'static str)],
    /// Where pieces of the text begin.
    pub splitters: &'static [u8],
}

/// Changes a text in one to eight places; `other` lends pieces.
pub fn mutate(bytes: &[u8], other: &[u8], grammar: Grammar, dice: &mut Dice) -> Vec<u8> {
    let mut out = bytes.to_vec();
    for _ in 0..=dice.below(8) {
        change(&mut out, other, grammar, dice);
        out.truncate(LARGEST);
    }
    out
}

fn change(out: &mut Vec<u8>, other: &[u8], grammar: Grammar, dice: &mut Dice) {
    let at = dice.below(out.len() + 1);
    match dice.below(16) {
        0 => {
            if let Some(b) = out.get_mut(at) {
                *b = dice.below(256) as u8;
            }
        }
        1 => out.truncate(at),
        2..=5 => {
            if let Some((a, b)) = number_near(out, at) {
                let new = match dice.below(4) {
                    0 => format!("-{}", String::from_utf8_lossy(&out[a..b])),
                    1 => format!(
                        "{}{}",
                        String::from_utf8_lossy(&out[a..b]),
                        dice.below(1_000_000)
                    ),
                    _ => dice.pick(&NUMBERS).to_owned(),
                };
                out.splice(a..b, new.into_bytes());
            }
        }
        6 | 7 if !grammar.words.is_empty() => {
            let word = dice.pick(grammar.words).as_bytes();
            out.splice(at..at, word.iter().copied());
        }
        8 => {
            let (a, b) = piece(out, at, grammar.splitters, dice);
            out.drain(a..b);
        }
        9 => {
            let (a, b) = piece(out, at, grammar.splitters, dice);
            let copy = out[a..b].to_vec();
            let to = start_near(out, dice.below(out.len() + 1), grammar.splitters);
            out.splice(to..to, copy);
        }
        10 => {
            // The same piece over and over.
            let (a, b) = piece(out, at, grammar.splitters, dice);
            let copy = out[a..b].to_vec();
            if !copy.is_empty() {
                let room = (LARGEST - out.len().min(LARGEST)) / copy.len();
                let most = [4, 50, 2000, 20_000][dice.below(4)];
                let times = dice.below(room.min(most) + 1);
                out.splice(b..b, copy.repeat(times));
            }
        }
        11 if !grammar.pairs.is_empty() => {
            let (open, close) = grammar.pairs[dice.below(grammar.pairs.len())];
            let times = [1, 3, 100, 300, 5000][dice.below(5)];
            let (a, b) = piece(out, at, grammar.splitters, dice);
            if out.len() + times * (open.len() + close.len()) < LARGEST {
                out.splice(b..b, close.repeat(times).into_bytes());
                out.splice(a..a, open.repeat(times).into_bytes());
            }
        }
        12 => {
            let (a, b) = piece(other, dice.below(other.len() + 1), grammar.splitters, dice);
            let to = start_near(out, at, grammar.splitters);
            out.splice(to..to, other[a..b].iter().copied());
        }
        13 => {
            // Two pieces change places.
            let (a, b) = piece(out, at, grammar.splitters, dice);
            let copy: Vec<u8> = out.drain(a..b).collect();
            let to = start_near(out, dice.below(out.len() + 1), grammar.splitters);
            out.splice(to..to, copy);
        }
        14 => {
            let odd: &[&[u8]] = &[
                b"\0",
                b"\xff\xfe",
                b"\xc3",
                "\u{202e}\u{1f600}".as_bytes(),
                b"\r",
                b"\t",
                b"\n",
                b"\"",
            ];
            out.splice(at..at, dice.pick(odd).iter().copied());
        }
        _ => {
            // A word takes another's place.
            if let (Some((a, b)), false) = (word_near(out, at), grammar.words.is_empty()) {
                out.splice(a..b, dice.pick(grammar.words).bytes());
            }
        }
    }
}

fn run_near(bytes: &[u8], at: usize, is: impl Fn(u8) -> bool) -> Option<(usize, usize)> {
    let a = (at..bytes.len()).find(|&i| is(bytes[i]))?;
    let a = (0..=a).rev().find(|&i| i == 0 || !is(bytes[i - 1]))?;
    let b = (a..bytes.len())
        .find(|&i| !is(bytes[i]))
        .unwrap_or(bytes.len());
    Some((a, b))
}

fn number_near(bytes: &[u8], at: usize) -> Option<(usize, usize)> {
    run_near(bytes, at, |b| b.is_ascii_digit() || b == b'.' || b == b'-')
}

fn word_near(bytes: &[u8], at: usize) -> Option<(usize, usize)> {
    run_near(bytes, at, |b| b.is_ascii_alphabetic() || b == b'_')
}

fn start_near(bytes: &[u8], at: usize, splitters: &[u8]) -> usize {
    (at..bytes.len())
        .find(|&i| splitters.contains(&bytes[i]))
        .unwrap_or(bytes.len())
}

/// One to several whole pieces.
fn piece(bytes: &[u8], at: usize, splitters: &[u8], dice: &mut Dice) -> (usize, usize) {
    let a = start_near(bytes, at, splitters);
    let mut b = a;
    for _ in 0..=[0, 0, 3, 30][dice.below(4)] {
        b = start_near(bytes, (b + 1).min(bytes.len()), splitters);
    }
    (a, b)
}
