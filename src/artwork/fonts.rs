//! Fonts for text: those installed, those given, and which were used or missed.

use super::Refusal;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use usvg::fontdb;

/// The fonts at hand for one drawing.
pub(super) struct Fonts {
    database: Arc<fontdb::Database>,
    used: Mutex<BTreeSet<String>>,
    missing: Mutex<BTreeSet<String>>,
}

/// Families that stand for the generic ones where installed, first come first; common free fonts.
const SERIF: [&str; 4] = [
    "Times New Roman",
    "Liberation Serif",
    "DejaVu Serif",
    "Noto Serif",
];
const SANS: [&str; 4] = ["Arial", "Liberation Sans", "DejaVu Sans", "Noto Sans"];
const MONO: [&str; 4] = [
    "Courier New",
    "Liberation Mono",
    "DejaVu Sans Mono",
    "Noto Sans Mono",
];

impl Fonts {
    /// Loads fonts, only if the drawing has text at all.
    pub(super) fn for_text(svg: &str, extra: &[PathBuf]) -> Fonts {
        let mut database = fontdb::Database::new();
        if svg.contains("<text") || svg.contains(":text") {
            for path in extra {
                if path.is_dir() {
                    database.load_fonts_dir(path);
                } else if let Err(e) = database.load_font_file(path) {
                    log::warn!("the font {} cannot be loaded: {e}", path.display());
                }
            }
            database.load_system_fonts();
            let families: BTreeSet<String> = database
                .faces()
                .flat_map(|f| f.families.iter().map(|n| n.0.clone()))
                .collect();
            let first = |names: &[&str]| {
                names
                    .iter()
                    .find(|n| families.contains(**n))
                    .map(|n| (*n).to_owned())
            };
            if let Some(name) = first(&SERIF) {
                database.set_serif_family(name);
            }
            if let Some(name) = first(&SANS) {
                database.set_sans_serif_family(name);
            }
            if let Some(name) = first(&MONO) {
                database.set_monospace_family(name);
            }
        }
        Fonts {
            database: Arc::new(database),
            used: Mutex::default(),
            missing: Mutex::default(),
        }
    }

    pub(super) fn database(&self) -> &Arc<fontdb::Database> {
        &self.database
    }

    /// Chooses the named fonts and no others, and notes what was used and missed.
    pub(super) fn resolver(&self) -> usvg::FontResolver<'_> {
        usvg::FontResolver {
            select_font: Box::new(|font, database| {
                let families: Vec<fontdb::Family<'_>> = font
                    .families()
                    .iter()
                    .map(|family| match family {
                        usvg::FontFamily::Serif => fontdb::Family::Serif,
                        usvg::FontFamily::SansSerif => fontdb::Family::SansSerif,
                        usvg::FontFamily::Cursive => fontdb::Family::Cursive,
                        usvg::FontFamily::Fantasy => fontdb::Family::Fantasy,
                        usvg::FontFamily::Monospace => fontdb::Family::Monospace,
                        usvg::FontFamily::Named(name) => fontdb::Family::Name(name),
                    })
                    .collect();
                let id = database.query(&fontdb::Query {
                    families: &families,
                    weight: fontdb::Weight(font.weight()),
                    stretch: stretch(font.stretch()),
                    style: match font.style() {
                        usvg::FontStyle::Normal => fontdb::Style::Normal,
                        usvg::FontStyle::Italic => fontdb::Style::Italic,
                        usvg::FontStyle::Oblique => fontdb::Style::Oblique,
                    },
                });
                match id {
                    Some(id) => self.note_used(database, id),
                    None => {
                        let names: Vec<String> =
                            font.families().iter().map(ToString::to_string).collect();
                        lock(&self.missing).insert(names.join(", "));
                    }
                }
                id
            }),
            select_fallback: Box::new(|c, tried, database| {
                let id = (usvg::FontResolver::default_fallback_selector())(c, tried, database)?;
                self.note_used(database, id);
                Some(id)
            }),
        }
    }

    fn note_used(&self, database: &fontdb::Database, id: fontdb::ID) {
        if let Some(face) = database.face(id) {
            lock(&self.used).insert(face.post_script_name.clone());
        }
    }

    /// Names of the faces used.
    pub(super) fn used(&self) -> Vec<String> {
        lock(&self.used).iter().cloned().collect()
    }

    pub(super) fn missing(&self) -> Vec<String> {
        lock(&self.missing).iter().cloned().collect()
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner)
}

fn stretch(stretch: usvg::FontStretch) -> fontdb::Stretch {
    use fontdb::Stretch as To;
    use usvg::FontStretch as From;
    match stretch {
        From::UltraCondensed => To::UltraCondensed,
        From::ExtraCondensed => To::ExtraCondensed,
        From::Condensed => To::Condensed,
        From::SemiCondensed => To::SemiCondensed,
        From::Normal => To::Normal,
        From::SemiExpanded => To::SemiExpanded,
        From::Expanded => To::Expanded,
        From::ExtraExpanded => To::ExtraExpanded,
        From::UltraExpanded => To::UltraExpanded,
    }
}

/// A missing font, as one refusal for all texts that ask for it.
pub(super) fn refusal(families: &str) -> Refusal {
    Refusal::new(
        "missing-font",
        format!("no font `{families}` is at hand"),
        "install it, pass its folder with --fonts, or turn the text into paths",
    )
}
