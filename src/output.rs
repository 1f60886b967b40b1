//! Output files: each appears complete or not at all.
//!
//! A file is written under a temporary name in its folder, synced, and renamed over the old one.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;

#[derive(Debug, Error)]
#[error("cannot write {path}: {source}; nothing was changed there{todo}", path = path.display(), todo = what_to_do(source))]
pub struct OutputError {
    pub path: PathBuf,
    pub source: io::Error,
}

/// What a person can do about it, where that is known.
fn what_to_do(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            ": free some space, or write elsewhere with --out"
        }
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            ": allow writing there, or write elsewhere with --out"
        }
        _ => "",
    }
}

/// Names of temporary files begin and end with these.
const TEMPORARY: [&str; 2] = [".foilwright-", ".part"];

/// Removes what runs that were killed left in a folder: temporary files that hold something and that no run has
/// locked. A run locks its file before it writes to it, and the lock goes with the run.
fn remove_left_behind(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        let holds_something = entry.metadata().is_ok_and(|m| m.is_file() && m.len() > 0);
        if name.starts_with(TEMPORARY[0])
            && name.ends_with(TEMPORARY[1])
            && holds_something
            && let Ok(file) = fs::File::open(entry.path())
            && file.try_lock().is_ok()
        {
            // One that cannot be removed does no harm.
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Writes one file completely or not at all.
///
/// # Errors
/// Whatever the file system says; an existing file is then untouched.
pub fn write_file(path: &Path, bytes: &[u8]) -> Result<(), OutputError> {
    remove_left_behind(folder_of(path));
    let staged = stage(path, bytes)?;
    publish(staged)
}

struct Staged {
    temporary: tempfile::NamedTempFile,
    path: PathBuf,
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    }
}

fn stage(path: &Path, bytes: &[u8]) -> Result<Staged, OutputError> {
    let fail = |source| OutputError {
        path: path.to_owned(),
        source,
    };
    let mut temporary = tempfile::Builder::new()
        .prefix(TEMPORARY[0])
        .suffix(TEMPORARY[1])
        .tempfile_in(folder_of(path))
        .map_err(fail)?;
    // Where locks are not known, nothing is ever taken for left behind.
    let _ = temporary.as_file().try_lock();
    temporary.write_all(bytes).map_err(fail)?;
    temporary.as_file().sync_all().map_err(fail)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Temporary files are private; results are ordinary files.
        temporary
            .as_file()
            .set_permissions(fs::Permissions::from_mode(0o644))
            .map_err(fail)?;
    }
    Ok(Staged {
        temporary,
        path: path.to_owned(),
    })
}

fn publish(staged: Staged) -> Result<(), OutputError> {
    let path = staged.path;
    staged
        .temporary
        .persist(&path)
        .map(|_| ())
        .map_err(|e| OutputError {
            path,
            source: e.error,
        })
}

/// Files that belong together: all are staged (written and synced under temporary names) before the
/// first is renamed, so that a full disk leaves the earlier run's files as they were.
#[derive(Debug)]
pub struct OutputSet {
    folder: PathBuf,
    files: Vec<(PathBuf, Vec<u8>)>,
}

impl OutputSet {
    pub fn new(folder: &Path) -> OutputSet {
        OutputSet {
            folder: folder.to_owned(),
            files: Vec::new(),
        }
    }
    /// Adds a file; `name` may hold a subfolder.
    pub fn add(&mut self, name: impl AsRef<Path>, bytes: impl Into<Vec<u8>>) {
        self.files
            .push((self.folder.join(name.as_ref()), bytes.into()));
    }
    pub fn paths(&self) -> impl Iterator<Item = &Path> {
        self.files.iter().map(|(p, _)| p.as_path())
    }
    /// Writes everything and removes those of `stale` that were not written again.
    ///
    /// # Errors
    /// The first file that could not be staged or renamed. Until all are staged nothing is changed, and folders
    /// that were made are taken away again.
    pub fn write(self, stale: &[PathBuf]) -> Result<Vec<PathBuf>, OutputError> {
        let mut made = Vec::new();
        let staged = self.stage_all(&mut made).inspect_err(|_| {
            for folder in made.iter().rev() {
                // One that is no longer empty stays.
                let _ = fs::remove_dir(folder);
            }
        })?;
        let written: Vec<PathBuf> = self.files.into_iter().map(|(p, _)| p).collect();
        for old in stale {
            if !written.contains(old) {
                let gone = if old.is_dir() {
                    fs::remove_dir_all(old)
                } else {
                    fs::remove_file(old)
                };
                match gone {
                    Err(e) if e.kind() != io::ErrorKind::NotFound => {
                        return Err(OutputError {
                            path: old.clone(),
                            source: e,
                        });
                    }
                    _ => {}
                }
            }
        }
        for s in staged {
            publish(s)?;
        }
        Ok(written)
    }
    fn stage_all(&self, made: &mut Vec<PathBuf>) -> Result<Vec<Staged>, OutputError> {
        let mut staged = Vec::new();
        let folders: BTreeSet<&Path> = self.files.iter().map(|(p, _)| folder_of(p)).collect();
        for folder in folders {
            remove_left_behind(folder);
        }
        for (path, bytes) in &self.files {
            if path.is_dir() {
                return Err(OutputError {
                    path: path.clone(),
                    source: io::ErrorKind::IsADirectory.into(),
                });
            }
            if let Some(folder) = path.parent() {
                let missing = folder
                    .ancestors()
                    .take_while(|f| !f.as_os_str().is_empty() && !f.exists());
                let missing: Vec<PathBuf> = missing.map(Path::to_owned).collect();
                made.extend(missing.into_iter().rev());
                fs::create_dir_all(folder).map_err(|source| OutputError {
                    path: folder.to_owned(),
                    source,
                })?;
            }
            staged.push(stage(path, bytes)?);
        }
        Ok(staged)
    }
}
