//! Proof: reads a job file back as a controller would, rebuilds the foil, compares it with the drawing.
//!
//! ```text
//! job file -> reader -> ReadJob -> prove(ReadJob, drawn openings, sheet, recipe) -> Verdict
//! ```
//!
//! Nothing here shares code with the kerf, order or job stages: cut edges are found again from point to
//! segment distances, loose pieces by flooding the foil line by line.

mod arc;
mod bars;
mod compare;
mod count;
mod dialect;
mod dxf;
mod edges;
mod foil;
mod left;
mod meaning;
mod names;
mod order;
mod over;
mod passes;
mod plan;
pub mod rs274;
mod sheet;
mod vector;
mod verdict;
mod ways;
mod webs;
mod words;

pub use bars::Bar;
pub use compare::{again, apart_um};
pub use count::Counted;
pub use dialect::Dialect;
pub use foil::LoosePiece;
pub use verdict::{AsCut, Verdict, edge_distances, prove, prove_statements};
pub use ways::ways_mm;

use crate::finding::{Finding, Severity};
use crate::motion::Motion;
use serde::Serialize;
use std::collections::BTreeMap;
use thiserror::Error;

/// Why a job could not be read at all. Everything less is a [`Fault`].
#[derive(Debug, Error, PartialEq)]
pub enum ReadError {
    #[error("the job has more than {limit} points; split it into several jobs")]
    TooLarge { limit: usize },
    #[error("this is not {expected}: {why}")]
    NotAJob {
        expected: &'static str,
        why: String,
        line: Option<u32>,
    },
    #[error(
        "`{name}` is no job file of a kind known here: .nc (RS-274), .cut.svg, .dxf or .plan.json"
    )]
    UnknownKind { name: String },
}

/// More points than any job of a foil has: refused, so that memory stays bounded.
pub const MAX_POINTS: usize = 30_000_000;

/// Something wrong in a job, with the line of the file it comes from where there is one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fault {
    #[serde(flatten)]
    pub finding: Finding,
    /// Line of the job file, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<u32>,
}

impl Fault {
    /// What is wrong, after its line.
    pub fn words(&self) -> String {
        let message = &self.finding.message;
        match self.line {
            Some(line) => format!("line {line}: {message}"),
            None => message.clone(),
        }
    }
}

/// Collects faults; each code is kept a limited number of times and counted beyond that.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Faults {
    list: Vec<Fault>,
    counts: BTreeMap<String, usize>,
}

/// How often one code is listed before it is only counted.
const LISTED_PER_CODE: usize = 25;

/// Pauses longer than this are told of.
const LONG_DWELL_S: f64 = 100.0;

impl Faults {
    pub fn push(&mut self, finding: Finding, line: Option<u32>) {
        let n = self.counts.entry(finding.code.clone()).or_insert(0);
        *n += 1;
        if *n <= LISTED_PER_CODE {
            self.list.push(Fault { finding, line });
        }
    }
    pub fn blocking(&mut self, line: u32, code: &str, message: impl Into<String>) {
        self.push(Finding::blocking(code, message), Some(line));
    }
    pub fn warning(&mut self, line: u32, code: &str, message: impl Into<String>) {
        self.push(Finding::warning(code, message), Some(line));
    }
    /// Tells of a pause that is longer than any that a job needs.
    fn long_dwell(&mut self, line: u32, seconds: f64, question: &str) {
        if seconds > LONG_DWELL_S {
            let length = if seconds < 1e7 {
                format!("{seconds:.0}")
            } else {
                format!("{seconds:.0e}")
            };
            let message = format!("a pause of {length} s: {question}");
            self.warning(line, "dwell-long", message);
        }
    }
    pub fn listed(&self) -> &[Fault] {
        &self.list
    }
    /// How often each code came up, also beyond those listed.
    pub fn counts(&self) -> &BTreeMap<String, usize> {
        &self.counts
    }
    pub fn any_blocking(&self) -> bool {
        self.list
            .iter()
            .any(|f| f.finding.severity == Severity::Blocking)
    }
    /// Adds all of `other`.
    pub fn extend(&mut self, other: &Faults) {
        for f in &other.list {
            if self.counts.get(&f.finding.code).copied().unwrap_or(0) < LISTED_PER_CODE {
                self.list.push(f.clone());
            }
        }
        for (code, n) in &other.counts {
            *self.counts.entry(code.clone()).or_insert(0) += n;
        }
    }
}

/// A job as read back from its file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReadJob {
    /// What the file says of itself: `key: value` comments.
    pub stated: BTreeMap<String, String>,
    /// What the beam does, in millimetres on the foil, y up.
    pub motion: Motion,
    /// For each burn the line of the file that each of its points comes from (0: none).
    pub lines: Vec<Vec<u32>>,
    /// Jumps after which nothing is cut before the next: where to, and their lines.
    pub idle: Vec<([f64; 2], u32)>,
    /// The cuts by the numbers that the file gives them, in its order.
    pub counted: Vec<Counted>,
    /// The last line (0: unknown).
    pub last_line: u32,
    pub faults: Faults,
}

impl ReadJob {
    /// The sheet in job coordinates as the file states it: x min, y min, x max, y max.
    pub fn sheet_mm(&self) -> Option<[f64; 4]> {
        let numbers: Vec<f64> = self
            .stated
            .get("sheet_mm")?
            .split([' ', ','])
            .filter(|w| !w.is_empty())
            .map(str::parse)
            .collect::<Result<_, _>>()
            .ok()?;
        let sheet: [f64; 4] = numbers.try_into().ok()?;
        let fine = sheet.iter().all(|v| v.abs() < 1e4);
        (fine && sheet[0] < sheet[2] && sheet[1] < sheet[3]).then_some(sheet)
    }
    /// A stated number, such as `kerf_um`.
    pub fn number(&self, key: &str) -> Option<f64> {
        self.stated
            .get(key)?
            .parse()
            .ok()
            .filter(|v: &f64| v.is_finite())
    }
    /// Whether the job is mirrored (`laser_side: substrate`).
    pub fn mirrored(&self) -> Option<bool> {
        self.stated.get("laser_side").map(|v| v == "substrate")
    }
    /// The number that the file gives a burn, and of how many.
    fn number_of(&self, burn: usize) -> Option<(u32, u32)> {
        // They stand in the order of the file, as the burns do; of two before one burn, the last is its own.
        let after = self.counted.partition_point(|c| c.burn <= burn);
        let counted = &self.counted[..after];
        (counted.last().filter(|c| c.burn == burn)).map(|c| (c.cut, c.of))
    }
    /// The line that segment `i` (from point `i` to `i + 1`) of a burn comes from.
    pub fn line(&self, burn: usize, i: usize) -> Option<u32> {
        self.lines
            .get(burn)
            .and_then(|l| l.get(i + 1))
            .copied()
            .filter(|&l| l > 0)
    }
}
/// Number of a text's last line, from 1.
fn last_line(text: &str) -> u32 {
    u32::try_from(text.lines().count().max(1)).unwrap_or(u32::MAX)
}

/// Reads a job of any known kind; the kind comes from the file's name.
///
/// # Errors
/// An unknown kind, a file that is not of its kind, or one too large.
pub fn read(name: &str, bytes: &[u8], dialect: &Dialect) -> Result<ReadJob, ReadError> {
    let text = String::from_utf8_lossy(bytes);
    let lower = name.to_ascii_lowercase();
    if lower.ends_with(".plan.json") || lower.ends_with(".json") {
        plan::read(&text, dialect)
    } else if lower.ends_with(".svg") {
        vector::read(&text, dialect)
    } else if lower.ends_with(".dxf") {
        dxf::read(&text, dialect)
    } else if [".nc", ".ngc", ".gcode", ".tap", ".cnc"]
        .iter()
        .any(|e| lower.ends_with(e))
    {
        rs274::read(&text, dialect)
    } else {
        Err(ReadError::UnknownKind {
            name: name.to_owned(),
        })
    }
}

/// Reads a folder of hand-over batches (names and contents) as one job, in the order of their names, with
/// the waits of its `settings.txt`.
///
/// # Errors
/// As [`read`]; also when no batch is among the files.
pub fn read_batches(files: &[(String, Vec<u8>)], dialect: &Dialect) -> Result<ReadJob, ReadError> {
    let waits: BTreeMap<&str, f64> = files
        .iter()
        .find(|f| f.0 == "settings.txt")
        .and_then(|f| std::str::from_utf8(&f.1).ok())
        .unwrap_or_default()
        .lines()
        .filter_map(|l| {
            let mut words = l.split_whitespace();
            let name = words.next().filter(|w| w.ends_with(".svg"))?;
            Some((name, words.next()?.parse().ok()?))
        })
        .collect();
    let mut parts: Vec<&(String, Vec<u8>)> =
        files.iter().filter(|f| f.0.ends_with(".svg")).collect();
    parts.sort_by(|a, b| a.0.cmp(&b.0));
    let mut whole: Option<ReadJob> = None;
    for (name, bytes) in parts {
        let mut part = read(name, bytes, dialect)?;
        let job = whole.get_or_insert_with(|| ReadJob {
            stated: part.stated.clone(),
            ..ReadJob::default()
        });
        let wait_s = waits.get(name.as_str()).copied().filter(|w| *w > 0.0);
        if let Some(wait_s) = wait_s {
            job.motion.dwells.push((job.motion.end_s, wait_s));
        }
        let from_s = job.motion.end_s + wait_s.unwrap_or(0.0);
        for burn in &mut part.motion.burns {
            burn.start_s += from_s;
        }
        job.motion.sheet_mm = part.motion.sheet_mm;
        job.motion.end_s = from_s + part.motion.end_s;
        job.lines.append(&mut part.lines);
        for count in &mut part.counted {
            count.burn += job.motion.burns.len();
        }
        job.counted.append(&mut part.counted);
        job.motion.burns.append(&mut part.motion.burns);
        job.faults.extend(&part.faults);
        if !waits.contains_key(name.as_str()) {
            job.faults.push(
                Finding::blocking(
                    "batch-unlisted",
                    format!("{name} is not listed in settings.txt"),
                ),
                None,
            );
        }
        if job.motion.burns.len() > MAX_POINTS {
            return Err(ReadError::TooLarge { limit: MAX_POINTS });
        }
    }
    let mut job = whole.ok_or_else(|| ReadError::NotAJob {
        expected: "a folder of batches",
        why: "it holds no .svg".to_owned(),
        line: None,
    })?;
    for name in waits.keys() {
        if !files.iter().any(|f| f.0 == *name) {
            job.faults.push(
                Finding::blocking(
                    "batch-missing",
                    format!("settings.txt lists {name}, which is not there"),
                ),
                None,
            );
        }
    }
    Ok(job)
}
