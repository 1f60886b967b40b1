//! One setting of a recipe: how a value is read from TOML, checked against its bounds and printed.

use toml::Value;

/// What the recipe knows about one key; the table of these is the documentation users see.
#[derive(Debug, Clone, Copy)]
pub struct KeySpec {
    pub section: &'static str,
    pub key: &'static str,
    pub doc: &'static str,
    /// Inclusive bounds of a number.
    pub bounds: Option<(f64, f64)>,
    /// The words a choice may take; empty for other kinds.
    pub choices: &'static [&'static str],
}

/// A type that a recipe key can hold.
pub trait Setting: Sized {
    const CHOICES: &'static [&'static str] = &[];
    /// Reads the value; the error says what was expected instead.
    fn read(value: &Value) -> Result<Self, String>;
    /// `None` where the key is left out, so that its default rule applies.
    fn write(&self) -> Option<Value>;
    /// The number to hold against the bounds, if this is one.
    fn number(&self) -> Option<f64> {
        None
    }
}

impl Setting for f64 {
    fn read(value: &Value) -> Result<Self, String> {
        match value {
            Value::Float(v) => Ok(*v),
            Value::Integer(v) => Ok(*v as f64),
            _ => Err("a number".into()),
        }
    }
    fn write(&self) -> Option<Value> {
        Some(Value::Float(*self))
    }
    fn number(&self) -> Option<f64> {
        Some(*self)
    }
}

impl Setting for u32 {
    fn read(value: &Value) -> Result<Self, String> {
        match value {
            Value::Integer(v) => u32::try_from(*v).map_err(|_| "a whole number, 0 or more".into()),
            _ => Err("a whole number".into()),
        }
    }
    fn write(&self) -> Option<Value> {
        Some(Value::Integer(i64::from(*self)))
    }
    fn number(&self) -> Option<f64> {
        Some(f64::from(*self))
    }
}

impl Setting for bool {
    fn read(value: &Value) -> Result<Self, String> {
        value.as_bool().ok_or_else(|| "true or false".into())
    }
    fn write(&self) -> Option<Value> {
        Some(Value::Boolean(*self))
    }
}

impl Setting for String {
    fn read(value: &Value) -> Result<Self, String> {
        value
            .as_str()
            .map(str::to_owned)
            .ok_or_else(|| "a text in quotes".into())
    }
    fn write(&self) -> Option<Value> {
        Some(Value::String(self.clone()))
    }
}

impl Setting for Vec<String> {
    fn read(value: &Value) -> Result<Self, String> {
        let expected = || "a list of texts in quotes".to_owned();
        value
            .as_array()
            .ok_or_else(expected)?
            .iter()
            .map(|v| v.as_str().map(str::to_owned).ok_or_else(expected))
            .collect()
    }
    fn write(&self) -> Option<Value> {
        Some(Value::Array(
            self.iter().cloned().map(Value::String).collect(),
        ))
    }
}

/// An optional setting: left out of the file, a stated rule takes its place.
impl<T: Setting> Setting for Option<T> {
    const CHOICES: &'static [&'static str] = T::CHOICES;
    fn read(value: &Value) -> Result<Self, String> {
        T::read(value).map(Some)
    }
    fn write(&self) -> Option<Value> {
        self.as_ref().and_then(Setting::write)
    }
    fn number(&self) -> Option<f64> {
        self.as_ref().and_then(Setting::number)
    }
}

/// An enum whose values are plain words in the recipe.
macro_rules! choice {
    ($(#[$meta:meta])* $name:ident { $($(#[$vmeta:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
        pub enum $name { $($(#[$vmeta])* #[serde(rename = $word)] $variant),+ }
        impl $name {
            pub const WORDS: &'static [&'static str] = &[$($word),+];
            /// The word that stands for this value in recipes, reports and job headers.
            pub fn word(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some($name::$variant),)+ _ => None }
            }
        }
        impl $crate::recipe::setting::Setting for $name {
            const CHOICES: &'static [&'static str] = Self::WORDS;
            fn read(value: &toml::Value) -> Result<Self, String> {
                value.as_str().and_then(Self::from_word).ok_or_else(|| {
                    format!("one of \"{}\"", Self::WORDS.join("\", \""))
                })
            }
            fn write(&self) -> Option<toml::Value> {
                Some(toml::Value::String(self.word().to_owned()))
            }
        }
    };
}
pub(crate) use choice;

/// A section of the recipe: a plain struct, and beside it the table of its keys.
macro_rules! section {
    ($(#[doc = $sdoc:literal])* $name:ident [$section:literal] {
        $( $(#[doc = $doc:literal])+ $field:ident : $type:ty = $default:expr $(; $lo:literal ..= $hi:literal)? ),+ $(,)?
    }) => {
        $(#[doc = $sdoc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $name { $( $(#[doc = $doc])+ pub $field: $type ),+ }
        impl Default for $name {
            fn default() -> Self { $name { $($field: $default),+ } }
        }
        impl $name {
            pub const SECTION: &'static str = $section;
            pub const DOC: &'static str = concat!($($sdoc, "\n"),*);
            pub const KEYS: &'static [$crate::recipe::setting::KeySpec] = &[$(
                $crate::recipe::setting::KeySpec {
                    section: $section,
                    key: stringify!($field),
                    doc: concat!($($doc, "\n"),+),
                    bounds: $crate::recipe::setting::bounds!($($lo, $hi)?),
                    choices: <$type as $crate::recipe::setting::Setting>::CHOICES,
                }
            ),+];
            pub(super) fn set(&mut self, key: &str, value: &toml::Value) -> Result<(), String> {
                match key {
                    $(stringify!($field) => {
                        let read = <$type as $crate::recipe::setting::Setting>::read(value)
                            .map_err(|e| {
                                let found = value.to_string();
                                format!("expected {e}, found {}", crate::finding::shortened(&found))
                            })?;
                        self.$field = read;
                        Ok(())
                    })+
                    _ => Err("no such key".into()),
                }
            }
            pub(super) fn get(&self, key: &str) -> Option<toml::Value> {
                use $crate::recipe::setting::Setting;
                match key { $(stringify!($field) => self.$field.write(),)+ _ => None }
            }
            pub(super) fn number(&self, key: &str) -> Option<f64> {
                use $crate::recipe::setting::Setting;
                match key { $(stringify!($field) => self.$field.number(),)+ _ => None }
            }
        }
    };
}
pub(crate) use section;

macro_rules! bounds {
    () => {
        None
    };
    ($lo:literal, $hi:literal) => {
        Some(($lo as f64, $hi as f64))
    };
}
pub(crate) use bounds;
