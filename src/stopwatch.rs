//! How long each stage of a run took: for the log, never for files, which are the same every time.

use std::time::Instant;

/// Laps of wall time by name; laps of one name add up.
#[derive(Debug, Clone)]
pub struct Stopwatch {
    since: Instant,
    laps: Vec<(String, f64)>,
}

impl Default for Stopwatch {
    fn default() -> Stopwatch {
        Stopwatch {
            since: Instant::now(),
            laps: Vec::new(),
        }
    }
}

impl Stopwatch {
    /// Ends the running lap under `name` and starts the next.
    pub fn lap(&mut self, name: &str) {
        let now = Instant::now();
        let seconds = now.duration_since(self.since).as_secs_f64();
        self.since = now;
        match self.laps.iter_mut().find(|l| l.0 == name) {
            Some(lap) => lap.1 += seconds,
            None => self.laps.push((name.to_owned(), seconds)),
        }
    }

    /// Names and seconds, in the order of their first laps.
    pub fn laps(&self) -> &[(String, f64)] {
        &self.laps
    }

    /// One line per lap, and their sum.
    pub fn words(&self) -> String {
        let sum: f64 = self.laps.iter().map(|l| l.1).sum();
        let line = |name: &str, seconds: f64| format!("{seconds:9.3} s  {name}\n");
        self.laps
            .iter()
            .map(|l| line(&l.0, l.1))
            .chain([line("altogether", sum)])
            .collect()
    }
}
