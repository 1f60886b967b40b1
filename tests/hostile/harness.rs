//! Feeds spoilt inputs to a part of the program and watches it: no panic, no hang, bounded memory.
//!
//! What came of an input is told in a few words; an input with a new outcome is kept and spoilt further.

use super::mutate::{Grammar, mutate};
use crate::support::dice::Dice;
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};

pub struct Target {
    pub name: &'static str,
    pub seeds: Vec<Vec<u8>>,
    pub grammar: Grammar,
    /// Runs one input and says what came of it.
    pub feed: fn(&[u8]) -> String,
}

/// How long to go on.
#[derive(Clone, Copy)]
pub enum Until {
    Inputs(usize),
    CpuSeconds(f64),
}

/// Longest time one input of at most 1 MB may take, CPU seconds; checked in long runs, which have the
/// process for themselves.
const LIMIT_S: f64 = if cfg!(debug_assertions) { 60.0 } else { 10.0 };
/// Longest by the clock, on a machine that does other things too.
const PATIENCE: Duration = Duration::from_secs(1800);

/// Kept inputs; a larger corpus slows nothing but says little more.
const MOST_KEPT: usize = 4000;

/// Spoils inputs until the end is reached.
///
/// # Panics
/// On the first input that panics or takes too long; it is left in the folder for test files.
pub fn run(target: &Target, until: Until, seed: u64) {
    let alone = matches!(until, Until::CpuSeconds(_));
    let (begin, busy) = (Instant::now(), cpu_seconds());
    let mut dice = Dice::seeded(seed);
    let mut kept = target.seeds.clone();
    // Long runs may carry on where others ended.
    let corpus = std::env::var_os("FOILWRIGHT_FUZZ_CORPUS")
        .filter(|_| alone)
        .map(|folder| PathBuf::from(folder).join(target.name));
    if let Some(folder) = &corpus {
        std::fs::create_dir_all(folder).unwrap();
        let mut files: Vec<_> = std::fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().path())
            .collect();
        files.sort();
        kept.extend(files.iter().map(|f| std::fs::read(f).unwrap()));
    }
    let mut outcomes = BTreeSet::new();
    let (mut inputs, mut slowest, mut largest) = (0, 0.0, 0);
    for bytes in &kept {
        let (outcome, _) = feed(target, bytes, alone);
        outcomes.insert(outcome);
    }
    loop {
        let done = match until {
            Until::Inputs(n) => inputs >= n,
            Until::CpuSeconds(s) => {
                cpu_seconds() - busy >= s || begin.elapsed().as_secs_f64() > 20.0 * s
            }
        };
        if done {
            break;
        }
        inputs += 1;
        let (a, b) = (dice.below(kept.len()), dice.below(kept.len()));
        let bytes = mutate(&kept[a], &kept[b], target.grammar, &mut dice);
        let (outcome, took) = feed(target, &bytes, alone);
        slowest = f64::max(slowest, took);
        largest = largest.max(bytes.len());
        // Large inputs are fed but not built upon: they would slow all that comes after.
        if outcomes.insert(outcome) && kept.len() < MOST_KEPT && bytes.len() < 60_000 && took < 1.0
        {
            if let Some(folder) = &corpus {
                drop(std::fs::write(
                    folder.join(format!("{seed:06}-{inputs:08}")),
                    &bytes,
                ));
            }
            kept.push(bytes);
        }
    }
    println!(
        "\n{}: {inputs} inputs, {:.0} CPU s, {} outcomes, slowest {slowest:.2} CPU s, largest {largest} bytes, peak memory {} MB",
        target.name,
        cpu_seconds() - busy,
        outcomes.len(),
        peak_mb().unwrap_or(0)
    );
    // The caps that the readers state keep a million bytes far below this.
    if let Some(mb) = peak_mb() {
        assert!(mb < 6_000, "{}: {mb} MB", target.name);
    }
}

/// Runs one input; its outcome and how long it took, in CPU seconds of the process.
fn feed(target: &Target, bytes: &[u8], alone: bool) -> (String, f64) {
    let busy = cpu_seconds();
    let (tell, told) = channel::<()>();
    // A thread that hangs cannot be stopped: the watchdog leaves the input and ends the process.
    let (name, copy) = (target.name, bytes.to_vec());
    let dog = std::thread::spawn(move || {
        let begin = Instant::now();
        while told.recv_timeout(Duration::from_millis(500)) == Err(RecvTimeoutError::Timeout) {
            let took = cpu_seconds() - busy;
            if begin.elapsed() > PATIENCE || (alone && took > 3.0 * LIMIT_S) {
                let path = leave(name, "hang", &copy);
                eprintln!(
                    "{name}: no end after {took:.0} CPU s; the input is {}",
                    path.display()
                );
                std::process::exit(101);
            }
        }
    });
    let result = catch_unwind(AssertUnwindSafe(|| (target.feed)(bytes)));
    let took = cpu_seconds() - busy;
    let _ = tell.send(());
    drop(dog.join());
    match result {
        Ok(outcome) => {
            if alone && took > LIMIT_S {
                let path = leave(target.name, "slow", bytes);
                panic!(
                    "{}: {took:.1} CPU s; the input is {}",
                    target.name,
                    path.display()
                );
            }
            (outcome, took)
        }
        Err(why) => {
            let path = leave(target.name, "panic", bytes);
            let words = why
                .downcast_ref::<String>()
                .cloned()
                .or_else(|| why.downcast_ref::<&str>().map(|s| (*s).to_owned()))
                .unwrap_or_default();
            panic!(
                "{}: panicked ({words}); the input is {}",
                target.name,
                path.display()
            );
        }
    }
}

fn leave(name: &str, what: &str, bytes: &[u8]) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("hostile");
    drop(std::fs::create_dir_all(&folder));
    let path = folder.join(format!("{name}-{what}-{}.bin", bytes.len()));
    drop(std::fs::write(&path, bytes));
    path
}

/// CPU time of this process where the system tells it (hundredths of a second), else the clock's.
pub fn cpu_seconds() -> f64 {
    static BEGIN: std::sync::OnceLock<Instant> = std::sync::OnceLock::new();
    let clock = BEGIN.get_or_init(Instant::now).elapsed().as_secs_f64();
    let Ok(stat) = std::fs::read_to_string("/proc/self/stat") else {
        return clock;
    };
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .collect();
    match (
        fields.get(11).and_then(|f| f.parse::<f64>().ok()),
        fields.get(12).and_then(|f| f.parse::<f64>().ok()),
    ) {
        (Some(user), Some(system)) => (user + system) / 100.0,
        _ => clock,
    }
}

/// Most memory this process has had, where the system tells it.
pub fn peak_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}
