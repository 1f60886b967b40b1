//! A table of readings: CSV with a header line, blank cells allowed, every error with its line.

use super::FitError;

/// Largest file read, bytes: far above any table filled in by hand.
const MAX_BYTES: usize = 20_000_000;

#[derive(Debug, Clone)]
pub struct Table {
    file: String,
    columns: Vec<String>,
    rows: Vec<(u64, Vec<String>)>,
}

/// One line of the table.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    table: &'a Table,
    pub line: u64,
    cells: &'a [String],
}

impl Table {
    /// Reads CSV text; `file` names it in errors.
    ///
    /// # Errors
    /// Text that is no table, a header without names, lines of another length than the header.
    pub fn parse(bytes: &[u8], file: &str) -> Result<Table, FitError> {
        let fail = |m: String| FitError::file(file, m);
        if bytes.len() > MAX_BYTES {
            return Err(fail(
                "is larger than 20 MB: this is no table of readings".into(),
            ));
        }
        let text = std::str::from_utf8(bytes)
            .map_err(|_| fail("is not text (UTF-8): save the readings as CSV".into()))?
            .trim_start_matches('\u{feff}');
        let head = text.lines().next().unwrap_or_default();
        if head.contains(';') && !head.contains(',') {
            return Err(fail(
                "the columns are separated by `;`: save it with commas between the columns and a point in the numbers".into(),
            ));
        }
        let mut reader = csv::ReaderBuilder::new()
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let columns: Vec<String> = reader
            .headers()
            .map_err(|e| fail(format!("cannot be read as CSV: {e}")))?
            .iter()
            .map(str::to_ascii_lowercase)
            .collect();
        if columns.iter().all(String::is_empty) {
            return Err(fail(
                "is empty: the first line must name the columns".into(),
            ));
        }
        if let Some(twice) = columns
            .iter()
            .enumerate()
            .find(|(i, c)| !c.is_empty() && columns[..*i].contains(c))
        {
            return Err(fail(format!("has two columns named `{}`", twice.1)));
        }
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|e| fail(format!("cannot be read as CSV: {e}")))?;
            let line = record.position().map_or(0, csv::Position::line);
            if record.len() != columns.len() {
                return Err(FitError::line(
                    file,
                    line,
                    format!(
                        "has {} cells where the header names {}: is a decimal comma in a number? Write 58.4, and keep the commas of blank cells",
                        record.len(),
                        columns.len()
                    ),
                ));
            }
            if record.iter().any(|c| !c.is_empty()) {
                rows.push((line, record.iter().map(str::to_owned).collect()));
            }
        }
        Ok(Table {
            file: file.to_owned(),
            columns,
            rows,
        })
    }
    pub fn error(&self, message: impl Into<String>) -> FitError {
        FitError::file(&self.file, message)
    }
    pub fn columns(&self) -> &[String] {
        &self.columns
    }
    pub fn has(&self, column: &str) -> bool {
        self.columns.iter().any(|c| c == column)
    }
    /// Holds that the columns are there.
    ///
    /// # Errors
    /// The first one that is not, with the same quantity in another unit where there is one.
    pub fn need(&self, columns: &[&str]) -> Result<(), FitError> {
        for want in columns {
            if self.has(want) {
                continue;
            }
            let stem = want.rsplit_once('_').map_or(*want, |(s, _)| s);
            let other = self
                .columns
                .iter()
                .find(|c| c.rsplit_once('_').is_some_and(|(s, _)| s == stem));
            return Err(self.error(match other {
                Some(other) => format!(
                    "column `{want}` is missing, but there is `{other}`: convert the numbers and name the column `{want}`"
                ),
                None => format!(
                    "column `{want}` is missing; the columns are: {}",
                    self.columns.join(", ")
                ),
            }));
        }
        Ok(())
    }
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|(line, cells)| Row {
            table: self,
            line: *line,
            cells,
        })
    }
    pub fn len(&self) -> usize {
        self.rows.len()
    }
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

impl Row<'_> {
    pub fn error(&self, message: impl Into<String>) -> FitError {
        FitError::line(&self.table.file, self.line, message)
    }
    /// The cell, lower case; empty where blank or where there is no such column.
    pub fn word(&self, column: &str) -> String {
        self.table
            .columns
            .iter()
            .position(|c| c == column)
            .map(|i| self.cells[i].to_lowercase())
            .unwrap_or_default()
    }
    /// The number in a cell, `None` where blank.
    ///
    /// # Errors
    /// Anything but a finite number.
    pub fn number(&self, column: &str) -> Result<Option<f64>, FitError> {
        let text = self.word(column);
        if text.is_empty() {
            return Ok(None);
        }
        match text.parse::<f64>() {
            Ok(v) if v.is_finite() => Ok(Some(v)),
            _ => Err(self.error(format!(
                "{column} is `{text}`: write a plain number without unit, or leave the cell blank"
            ))),
        }
    }
    /// As [`Row::number`], and greater than zero.
    ///
    /// # Errors
    /// As [`Row::number`]; zero and below.
    pub fn positive(&self, column: &str) -> Result<Option<f64>, FitError> {
        match self.number(column)? {
            Some(v) if v <= 0.0 => Err(self.error(format!(
                "{column} is {v}: it must be greater than zero; leave the cell blank where nothing was measured"
            ))),
            other => Ok(other),
        }
    }
    /// As [`Row::positive`], where the cell may not be blank.
    ///
    /// # Errors
    /// As [`Row::positive`]; a blank cell.
    pub fn required(&self, column: &str) -> Result<f64, FitError> {
        self.positive(column)?
            .ok_or_else(|| self.error(format!("{column} is blank")))
    }
}
