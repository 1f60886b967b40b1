//! The cuts of a job by the numbers that the file itself gives them, `cut 3 of 17`: cuts that are lost, and cuts that
//! have changed places. Only what was written so is judged; a file without numbers has nothing to say here.

use super::{Faults, ReadJob};
use crate::finding::Finding;
use std::collections::BTreeSet;

/// A cut by its number, from 1, of so many, the line that says so, and the burn that should follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    pub cut: u32,
    pub of: u32,
    pub line: u32,
    pub burn: usize,
}

/// Reads `cut 3 of 17` at the end of a comment or as a value of its own.
pub(super) fn read(text: &str, line: u32, burn: usize) -> Option<Counted> {
    let mut words = text.split_whitespace().rev();
    let of = words.next()?.parse().ok()?;
    (words.next()? == "of").then_some(())?;
    let cut = words.next()?.parse().ok()?;
    (words.next()? == "cut").then_some(())?;
    (1..=of).contains(&cut).then_some(Counted {
        cut,
        of,
        line,
        burn,
    })
}

/// Cuts in a row of which some are not there, and the line that stands where they should: that of the next cut, or of
/// the last.
struct Lost {
    first: u32,
    last: u32,
    missing: u32,
    of: u32,
    line: u32,
}

impl Lost {
    fn words(&self) -> String {
        let Lost {
            first,
            last,
            missing,
            of,
            ..
        } = self;
        if first == last {
            format!("cut {first} of {of} is not in the file")
        } else if *missing == last - first + 1 {
            format!("cuts {first} to {last} of {of} are not in the file")
        } else {
            format!("of cuts {first} to {last} of {of}, {missing} are not in the file")
        }
    }
}

/// A number with how many cuts without one stand right before and after its own.
#[derive(Clone, Copy)]
struct Among {
    counted: Counted,
    before: usize,
    after: usize,
}

/// The job's cuts, apart where another count begins (jobs put one after the other in one file).
fn counts(job: &ReadJob) -> impl Iterator<Item = &[Counted]> {
    job.counted.chunk_by(|a, b| a.of == b.of)
}

/// All cuts that are lost: numbers that a count leaves out where no cut without a number stands instead, and numbers that
/// no cut follows.
fn lost(job: &ReadJob) -> Vec<Lost> {
    let mut list = Vec::new();
    let mut counts = counts(job).peekable();
    let mut burn = 0;
    while let Some(count) = counts.next() {
        let end = counts
            .peek()
            .map_or(job.motion.burns.len(), |next| next[0].burn);
        left_out(count, burn..end, &mut list);
        burn = end;
    }
    list
}

fn left_out(count: &[Counted], burns: std::ops::Range<usize>, list: &mut Vec<Lost>) {
    let mut there: Vec<Among> = Vec::with_capacity(count.len());
    let mut free = burns.start;
    for (i, &counted) in count.iter().enumerate() {
        let next = count.get(i + 1).map_or(burns.end, |c| c.burn);
        there.push(Among {
            counted,
            before: counted.burn.saturating_sub(free),
            after: next.saturating_sub(counted.burn + 1),
        });
        free = counted.burn + 1;
        if next == counted.burn {
            list.push(Lost {
                first: counted.cut,
                last: counted.cut,
                missing: 1,
                of: counted.of,
                line: counted.line,
            });
        }
    }
    let (first, last) = (there[0], there[there.len() - 1]);
    let of = first.counted.of;
    there.sort_by_key(|a| (a.counted.cut, a.counted.line));
    let (mut next, mut after) = (1, first.before);
    let ends = (of.saturating_add(1), last.after, last.counted.line);
    let gaps = (there.iter()).map(|a| (a.counted.cut, a.before, a.counted.line));
    for (k, (cut, before, line)) in gaps.chain([ends]).enumerate() {
        let missing = (cut.saturating_sub(next)).saturating_sub(before.max(after) as u32);
        if missing > 0 {
            list.push(Lost {
                first: next,
                last: cut - 1,
                missing,
                of,
                line,
            });
        }
        next = next.max(cut.saturating_add(1));
        after = there.get(k).map_or(0, |a| a.after);
    }
}

/// The line of the one cut that is lost; nothing where more are, for no number tells where it was cut.
pub(super) fn line_of_lost(job: &ReadJob) -> Option<u32> {
    match lost(job)[..] {
        [
            Lost {
                missing: 1, line, ..
            },
        ] => Some(line),
        _ => None,
    }
}

/// Tells of cuts that are lost, and of cuts that stand elsewhere than they were written.
pub(super) fn check(job: &ReadJob, faults: &mut Faults) {
    for lost in lost(job) {
        let hint =
            "the file has lost part of itself: write it anew; `cut --only` writes some paths alone";
        let finding = Finding::blocking("cut-lost", lost.words()).hint(hint);
        faults.push(finding, Some(lost.line));
    }
    for count in counts(job) {
        let kept = longest_rising(count);
        let numbers: BTreeSet<u32> = kept.iter().map(|&i| count[i].cut).collect();
        // What is there twice is told of as such.
        for c in count.iter().filter(|c| !numbers.contains(&c.cut)) {
            let message = format!(
                "cut {} of {} stands elsewhere than it was written: order and pauses were planned against heat",
                c.cut, c.of
            );
            let hint =
                "write the job anew; in an order of your own making, take the cuts' numbers out";
            faults.push(
                Finding::blocking("cut-moved", message).hint(hint),
                Some(c.line),
            );
        }
    }
}

/// Indices of a longest run of numbers that rise, others left out: what is not in it has moved, or is there twice.
fn longest_rising(count: &[Counted]) -> Vec<usize> {
    // For each length the index of the smallest number that ends a run so long, and for each index the one before it.
    let mut ends: Vec<usize> = Vec::new();
    let mut before = vec![None; count.len()];
    for (i, c) in count.iter().enumerate() {
        let k = ends.partition_point(|&e| count[e].cut < c.cut);
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
    use crate::motion::Burn;

    /// A job of cuts with these numbers, none where 0, one line each from line 10.
    fn job(numbers: &[u32], of: u32) -> ReadJob {
        let mut job = ReadJob::default();
        for (&cut, line) in numbers.iter().zip(10..) {
            let burn = job.motion.burns.len();
            job.counted.extend((cut > 0).then_some(Counted {
                cut,
                of,
                line,
                burn,
            }));
            job.motion.burns.push(Burn {
                points: vec![[0.0, 0.0], [1.0, 0.0]],
                start_s: 0.0,
                speed_mm_s: 1.0,
                power_w: 1.0,
                path: 0,
                pass: 1,
            });
        }
        job
    }

    fn told(numbers: &[u32], of: u32) -> Vec<(String, u32)> {
        faults_of(&job(numbers, of))
    }

    fn faults_of(job: &ReadJob) -> Vec<(String, u32)> {
        let mut faults = Faults::default();
        check(job, &mut faults);
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
        assert_eq!(told(&[1], u32::MAX), [("cut-lost".to_owned(), 10)]);
    }

    #[test]
    fn a_lost_number_is_no_lost_cut() {
        for whole in [[0, 2, 3, 4], [1, 0, 3, 4], [1, 0, 0, 4], [1, 2, 3, 0]] {
            assert_eq!(told(&whole, 4), [], "{whole:?}");
        }
        assert_eq!(told(&[1, 0, 4], 4), [("cut-lost".to_owned(), 12)]);
        assert_eq!(told(&[0, 0, 0], 4), []);
        assert_eq!(told(&[0, 2, 5], 5), [("cut-lost".to_owned(), 12)]);
        // Two jobs in one file.
        let mut both = job(&[1, 0, 3], 3);
        for c in job(&[1, 2], 2).counted {
            both.counted.push(Counted {
                burn: c.burn + 3,
                ..c
            });
        }
        both.motion.burns.extend(job(&[1, 2], 2).motion.burns);
        assert_eq!(faults_of(&both), []);
    }

    #[test]
    fn a_number_without_its_cut_is_told() {
        let mut job = job(&[1, 2, 3], 3);
        job.motion.burns.pop();
        assert_eq!(faults_of(&job), [("cut-lost".to_owned(), 12)]);
        job.counted[2].burn = 1;
        job.motion.burns.pop();
        job.counted[1].burn = 1;
        job.counted[2].burn = 1;
        assert_eq!(faults_of(&job).len(), 2);
    }

    #[test]
    fn cuts_that_changed_places_are_told() {
        let moved = |lines: &[u32]| -> Vec<(String, u32)> {
            lines.iter().map(|l| ("cut-moved".to_owned(), *l)).collect()
        };
        assert_eq!(told(&[1, 2, 7, 4, 5, 6, 3, 8], 8), moved(&[12, 16]));
        assert_eq!(told(&[2, 3, 4, 1], 4), moved(&[13]));
        // Copies are not moved, nor is what stands beside them.
        assert_eq!(told(&[1, 2, 3, 2, 4], 4), []);
        assert_eq!(told(&[1, 2, 3, 1, 2, 3], 3), []);
        assert_eq!(told(&[3, 1, 2, 3], 3), []);
    }

    #[test]
    fn words_of_a_count() {
        let c = |cut, of| {
            Some(Counted {
                cut,
                of,
                line: 7,
                burn: 5,
            })
        };
        assert_eq!(read("path 3 pass 1 opening 0 cut 2 of 9", 7, 5), c(2, 9));
        assert_eq!(read("cut 9 of 9", 7, 5), c(9, 9));
        for no in [
            "cut 10 of 9",
            "cut 0 of 9",
            "2 of 9",
            "cut 2",
            "cut x of 9",
            "",
        ] {
            assert_eq!(read(no, 7, 5), None, "{no}");
        }
    }
}
