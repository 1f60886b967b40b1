//! The cuts of a job by the numbers that the file itself gives them, `cut 3 of 17`: cuts that are lost, and cuts that
//! have changed places. Only what was written so is judged; a file without numbers has nothing to say here.

use super::{Faults, ReadJob};
use crate::finding::Finding;
use std::collections::BTreeSet;

/// A cut by its number, from 1, of so many, and the line that says so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    pub cut: u32,
    pub of: u32,
    pub line: u32,
}

/// Reads `cut 3 of 17` at the end of a comment or as a value of its own.
pub(super) fn read(text: &str, line: u32) -> Option<Counted> {
    let mut words = text.split_whitespace().rev();
    let of = words.next()?.parse().ok()?;
    (words.next()? == "of").then_some(())?;
    let cut = words.next()?.parse().ok()?;
    (words.next()? == "cut").then_some(())?;
    (1..=of).contains(&cut).then_some(Counted { cut, of, line })
}

/// A cut that is not there, and the line that stands where it should: that of the next cut, or of the last.
struct Lost {
    cut: u32,
    of: u32,
    line: u32,
}

/// More lost cuts than this are one finding.
const MOST_LOST: usize = 20;

/// The job's cuts, apart where another count begins (jobs put one after the other in one file).
fn counts(job: &ReadJob) -> impl Iterator<Item = &[Counted]> {
    job.counted.chunk_by(|a, b| a.of == b.of)
}

/// Numbers that a count leaves out, at most so many, and how many there are in all.
fn lost(count: &[Counted], most: usize) -> (Vec<Lost>, usize) {
    let mut there: Vec<(u32, u32)> = count.iter().map(|c| (c.cut, c.line)).collect();
    there.sort_unstable();
    let of = count[0].of;
    let last = count[count.len() - 1].line;
    let (mut list, mut all, mut next) = (Vec::new(), 0, 1);
    for (cut, line) in there.into_iter().chain([(of.saturating_add(1), last)]) {
        if cut > next {
            all += (cut - next) as usize;
            let room = most - list.len().min(most);
            list.extend((next..cut).take(room).map(|cut| Lost { cut, of, line }));
        }
        next = next.max(cut.saturating_add(1));
    }
    (list, all)
}

/// The line of the one cut that is lost; nothing where more are, for no number tells where it was cut.
pub(super) fn line_of_lost(job: &ReadJob) -> Option<u32> {
    let mut all = counts(job).map(|count| lost(count, 1));
    let mut found = None;
    for (list, n) in &mut all {
        if n > 1 || (n == 1 && found.is_some()) {
            return None;
        }
        found = found.or(list.first().map(|l| l.line));
    }
    found
}

/// Tells of cuts that are lost, and of cuts that stand elsewhere than they were written.
pub(super) fn check(job: &ReadJob, faults: &mut Faults) {
    for count in counts(job) {
        let (list, all) = lost(count, MOST_LOST);
        for (i, l) in list.iter().enumerate() {
            let more = if all > list.len() && i + 1 == list.len() {
                format!(" ({all} are missing in all)")
            } else {
                String::new()
            };
            let finding = Finding::blocking(
                "cut-lost",
                format!("cut {} of {} is not in the file{more}", l.cut, l.of),
            );
            let hint = "the file has lost part of itself: write it anew; `cut --only` writes some paths alone";
            faults.push(finding.hint(hint), Some(l.line));
        }
        let kept: BTreeSet<usize> = longest_rising(count).into_iter().collect();
        for (i, c) in count.iter().enumerate() {
            if !kept.contains(&i) {
                let message = format!(
                    "cut {} of {} stands elsewhere than it was written: order and pauses were planned against heat",
                    c.cut, c.of
                );
                faults.warning(c.line, "cut-moved", message);
            }
        }
    }
}

/// Indices of a longest run of numbers that do not fall, others left out: what is not in it has moved, or is there twice
/// apart.
fn longest_rising(count: &[Counted]) -> Vec<usize> {
    // For each length the index of the smallest number that ends a run so long, and for each index the one before it.
    let mut ends: Vec<usize> = Vec::new();
    let mut before = vec![None; count.len()];
    for (i, c) in count.iter().enumerate() {
        let k = ends.partition_point(|&e| count[e].cut <= c.cut);
        before[i] = k.checked_sub(1).map(|k| ends[k]);
        if k == ends.len() {
            ends.push(i);
        } else {
            ends[k] = i;
        }
    }
    let mut run: Vec<usize> = std::iter::successors(ends.last().copied(), |&i| before[i]).collect();
    run.reverse();
    run
}

#[cfg(test)]
mod tests {
    use super::*;

    fn job(numbers: &[u32], of: u32) -> ReadJob {
        let counted = (numbers.iter().zip(10..))
            .map(|(&cut, line)| Counted { cut, of, line })
            .collect();
        ReadJob {
            counted,
            ..ReadJob::default()
        }
    }

    fn told(numbers: &[u32], of: u32) -> Vec<(String, u32)> {
        let mut faults = Faults::default();
        check(&job(numbers, of), &mut faults);
        (faults.listed().iter())
            .map(|f| (f.finding.code.clone(), f.line.unwrap()))
            .collect()
    }

    #[test]
    fn a_whole_count_says_nothing() {
        assert_eq!(told(&[1, 2, 3], 3), []);
        assert_eq!(told(&[], 3), []);
    }

    #[test]
    fn a_lost_cut_is_told_where_it_stood() {
        assert_eq!(told(&[1, 2, 4, 5], 5), [("cut-lost".to_owned(), 12)]);
        assert_eq!(told(&[2, 3], 3), [("cut-lost".to_owned(), 10)]);
        assert_eq!(told(&[1, 2], 3), [("cut-lost".to_owned(), 11)]);
        assert_eq!(line_of_lost(&job(&[1, 2, 4, 5], 5)), Some(12));
        assert_eq!(line_of_lost(&job(&[1, 3, 5], 5)), None);
        assert_eq!(told(&[1], u32::MAX).len(), MOST_LOST);
    }

    #[test]
    fn cuts_that_changed_places_are_told() {
        let moved = |lines: &[u32]| -> Vec<(String, u32)> {
            lines.iter().map(|l| ("cut-moved".to_owned(), *l)).collect()
        };
        assert_eq!(told(&[1, 2, 7, 4, 5, 6, 3, 8], 8), moved(&[12, 16]));
        assert_eq!(told(&[2, 3, 4, 1], 4), moved(&[13]));
    }

    #[test]
    fn words_of_a_count() {
        let c = |cut, of| Some(Counted { cut, of, line: 7 });
        assert_eq!(read("path 3 pass 1 opening 0 cut 2 of 9", 7), c(2, 9));
        assert_eq!(read("cut 9 of 9", 7), c(9, 9));
        for no in [
            "cut 10 of 9",
            "cut 0 of 9",
            "2 of 9",
            "cut 2",
            "cut x of 9",
            "",
        ] {
            assert_eq!(read(no, 7), None, "{no}");
        }
    }
}
