//! Recipe lines: what a fit found, ready to paste, or written into a recipe with its comments kept.

use crate::recipe::{Recipe, RecipeError};
use serde::Serialize;
use std::fmt::Write;
use toml_edit::{DocumentMut, Item, Table, Value};

/// One value for a recipe.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecipeLine {
    pub section: &'static str,
    pub key: &'static str,
    pub value: Setting,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Setting {
    Number(f64),
    Whole(i64),
    Word(String),
}

impl RecipeLine {
    /// A number, rounded to a ten-thousandth or to five significant digits, whichever is finer.
    pub fn number(section: &'static str, key: &'static str, value: f64) -> RecipeLine {
        let digits = (4 - value.abs().max(1e-12).log10().floor() as i32).clamp(4, 12);
        let scale = 10f64.powi(digits);
        RecipeLine {
            section,
            key,
            value: Setting::Number((value * scale).round() / scale),
        }
    }
    pub fn whole(section: &'static str, key: &'static str, value: u32) -> RecipeLine {
        RecipeLine {
            section,
            key,
            value: Setting::Whole(i64::from(value)),
        }
    }
    pub fn word(section: &'static str, key: &'static str, value: &str) -> RecipeLine {
        RecipeLine {
            section,
            key,
            value: Setting::Word(value.to_owned()),
        }
    }
    fn toml(&self) -> Value {
        match &self.value {
            Setting::Number(v) => Value::from(*v),
            Setting::Whole(v) => Value::from(*v),
            Setting::Word(v) => Value::from(v.as_str()),
        }
    }
}

/// The lines under their section headings, each heading once.
pub fn to_toml(lines: &[RecipeLine]) -> String {
    let mut sections: Vec<&str> = Vec::new();
    for line in lines {
        if !sections.contains(&line.section) {
            sections.push(line.section);
        }
    }
    let mut out = String::new();
    for section in sections {
        let _ = writeln!(out, "[{section}]");
        for line in lines.iter().filter(|l| l.section == section) {
            let _ = writeln!(out, "{} = {}", line.key, line.toml());
        }
    }
    out
}

/// The recipe's text with the lines set; comments and everything else stay as they are.
///
/// # Errors
/// A recipe that was wrong before, or that would be wrong with the new values.
pub fn into_recipe(text: &str, file: &str, lines: &[RecipeLine]) -> Result<String, RecipeError> {
    Recipe::parse(text, file)?;
    let mut doc: DocumentMut =
        text.parse()
            .map_err(|e: toml_edit::TomlError| RecipeError::Syntax {
                file: file.to_owned(),
                message: e.to_string().trim_end().to_owned(),
            })?;
    for line in lines {
        let section = doc
            .entry(line.section)
            .or_insert_with(|| Item::Table(Table::new()));
        let Some(table) = section.as_table_like_mut() else {
            continue;
        };
        let mut value = line.toml();
        match table.get_mut(line.key).and_then(Item::as_value_mut) {
            Some(old) => {
                *value.decor_mut() = old.decor().clone();
                *old = value;
            }
            None => {
                table.insert(line.key, Item::Value(value));
            }
        }
    }
    let text = doc.to_string();
    Recipe::parse(&text, file)?;
    Ok(text)
}
