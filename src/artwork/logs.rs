//! What the SVG library only says in its log, collected so that it becomes findings.

use std::cell::RefCell;
use std::sync::Once;

thread_local! {
    static LINES: RefCell<Option<Vec<String>>> = const { RefCell::new(None) };
}

struct Collector;

impl log::Log for Collector {
    fn enabled(&self, metadata: &log::Metadata<'_>) -> bool {
        metadata.level() <= log::Level::Warn
    }
    fn log(&self, record: &log::Record<'_>) {
        LINES.with_borrow_mut(|lines| {
            if let Some(lines) = lines {
                lines.push(record.args().to_string());
            }
        });
    }
    fn flush(&self) {}
}

/// Runs `work` and hands over what was logged on this thread meanwhile. A program that has installed its own
/// logger keeps it and gets the lines instead.
pub(super) fn collect<T>(work: impl FnOnce() -> T) -> (T, Vec<String>) {
    static INSTALL: Once = Once::new();
    INSTALL.call_once(|| {
        if log::set_logger(&Collector).is_ok() {
            log::set_max_level(log::LevelFilter::Warn);
        }
    });
    LINES.set(Some(Vec::new()));
    let value = work();
    (value, LINES.take().unwrap_or_default())
}
