//! Faults while writing: a full disk, folders that cannot be written, a run that is killed.

use assert_cmd::Command;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/thermopile-sensor.svg")
}

/// A drawing of one strip, whose length tells one version from another.
fn drawing(folder: &Path, length_mm: u32) -> PathBuf {
    let path = folder.join("drawing.svg");
    let text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"20mm\" height=\"20mm\" viewBox=\"0 0 20 20\">\
         <rect id=\"strip\" x=\"5\" y=\"5\" width=\"{length_mm}\" height=\"2\"/></svg>"
    );
    std::fs::write(&path, text).unwrap();
    path
}

fn cut(drawing: &Path, out: &Path, more: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_foilwright"))
        .arg("cut")
        .arg(drawing)
        .arg("--out")
        .arg(out)
        .args(more)
        .output()
        .unwrap()
}

/// Fails with exit code 2, in words that name `path`.
fn cannot_write(output: &std::process::Output, path: &Path) {
    let words = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{words}");
    assert!(words.contains("cannot write"), "{words}");
    assert!(words.contains(&path.display().to_string()), "{words}");
}

/// Every file below the folder, hidden ones too.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut out = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if let Ok(bytes) = std::fs::read(&path) {
                out.insert(path, bytes);
            }
        }
    }
    out
}

/// A small file system in memory; unmounted when dropped. `None` where mounting is not permitted.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn new(at: &Path, options: &str) -> Option<SmallDisk> {
        let mounted = std::process::Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(at)
            .output()
            .is_ok_and(|o| o.status.success());
        if !mounted {
            println!("skipped: a file system in memory may not be mounted here");
        }
        mounted.then(|| SmallDisk(at.to_owned()))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_leaves_the_earlier_run_as_it_was() {
    let d = tempfile::tempdir().unwrap();
    let mount = d.path().join("disk");
    std::fs::create_dir(&mount).unwrap();
    let Some(_disk) = SmallDisk::new(&mount, "size=64k") else {
        return;
    };
    let out = mount.join("out");
    let small = ["--as", "rs274", "--no-pictures"];
    let first = cut(&drawing(d.path(), 3), &out, &small);
    assert!(first.status.success(), "{first:?}");
    let before = contents(&mount);
    assert_eq!(before.len(), 2, "a job and a report");
    // The pictures of the next run do not fit.
    let output = cut(&drawing(d.path(), 6), &out, &["--as", "rs274,batches"]);
    cannot_write(&output, &out);
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(words.contains("No space left"), "{words}");
    assert!(
        words.contains("free some space, or write elsewhere with --out"),
        "{words}"
    );
    assert_eq!(contents(&mount), before);
    // Nor does a folder stay of a run that left nothing.
    let other = mount.join("a/b");
    assert_eq!(
        cut(&drawing(d.path(), 6), &other, &["--as", "batches"])
            .status
            .code(),
        Some(2)
    );
    assert!(!mount.join("a").exists());
    assert!(!out.join("drawing.batches").exists());
}

#[test]
fn a_folder_that_may_not_be_written() {
    let d = tempfile::tempdir().unwrap();
    let locked = d.path().join("locked");
    std::fs::create_dir(&locked).unwrap();
    let mut disk = None;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&locked, std::fs::Permissions::from_mode(0o555)).unwrap();
    }
    // The superuser may write all the same: only a read-only file system stops that.
    if std::fs::write(locked.join("probe"), "").is_ok() {
        disk = SmallDisk::new(&locked, "ro,size=64k");
        if disk.is_none() {
            return;
        }
    }
    for out in [locked.clone(), locked.join("out")] {
        let output = cut(&drawing(d.path(), 3), &out, &["--no-pictures"]);
        cannot_write(&output, &out);
    }
    drop(disk);
}

#[test]
fn a_folder_that_is_a_file() {
    let d = tempfile::tempdir().unwrap();
    let blocker = d.path().join("file");
    std::fs::write(&blocker, "not a folder").unwrap();
    for out in [blocker.clone(), blocker.join("out")] {
        let output = cut(&drawing(d.path(), 3), &out, &["--no-pictures"]);
        cannot_write(&output, &out);
    }
    assert_eq!(std::fs::read_to_string(&blocker).unwrap(), "not a folder");
}

#[test]
fn a_file_that_is_a_folder() {
    let d = tempfile::tempdir().unwrap();
    let out = d.path().join("out");
    let flags = ["--as", "svg,rs274", "--no-pictures"];
    assert!(cut(&drawing(d.path(), 3), &out, &flags).status.success());
    std::fs::remove_file(out.join("drawing.nc")).unwrap();
    std::fs::create_dir(out.join("drawing.nc")).unwrap();
    let before = contents(&out);
    let output = cut(&drawing(d.path(), 6), &out, &flags);
    cannot_write(&output, &out.join("drawing.nc"));
    assert_eq!(
        contents(&out),
        before,
        "the other file is not exchanged alone"
    );
}

#[test]
fn what_a_killed_run_left_is_removed_and_what_another_writes_is_not() {
    let d = tempfile::tempdir().unwrap();
    let out = d.path().join("out");
    std::fs::create_dir(&out).unwrap();
    let [left, held, other] = [
        ".foilwright-left.part",
        ".foilwright-held.part",
        "foilwright.part",
    ]
    .map(|name| out.join(name));
    for path in [&left, &held, &other] {
        std::fs::write(path, "half a job").unwrap();
    }
    let lock = std::fs::File::open(&held).unwrap();
    lock.lock().unwrap();
    let flags = ["--as", "rs274", "--no-pictures"];
    assert!(cut(&drawing(d.path(), 3), &out, &flags).status.success());
    assert!(!left.exists());
    assert!(held.exists() && other.exists());
    drop(lock);
    assert!(cut(&drawing(d.path(), 3), &out, &flags).status.success());
    assert!(!held.exists() && other.exists());
}

#[test]
#[ignore = "slow: kills fifty runs"]
fn slow_a_killed_run_leaves_whole_files() {
    let d = tempfile::tempdir().unwrap();
    // The demo and the same with other coordinates, under one name.
    let text = std::fs::read_to_string(demo()).unwrap();
    let path = d.path().join("sensor.svg");
    let versions: Vec<BTreeMap<PathBuf, Vec<u8>>> = ["0", "0.01"]
        .iter()
        .map(|shift| {
            let moved = text.replacen("<g ", &format!("<g transform=\"translate({shift} 0)\" "), 1);
            std::fs::write(&path, moved).unwrap();
            let out = d.path().join(format!("out-{shift}"));
            assert!(cut(&path, &out, &["--order", "travel"]).status.success());
            let all = contents(&out);
            all.into_iter()
                .map(|(p, b)| (p.strip_prefix(&out).unwrap().to_owned(), b))
                .collect()
        })
        .collect();
    assert_ne!(versions[0], versions[1]);
    let out = d.path().join("out-0");
    // How long the second version takes, from start to end.
    let begun = std::time::Instant::now();
    assert!(
        cut(&path, &d.path().join("timed"), &["--order", "travel"])
            .status
            .success()
    );
    let whole = begun.elapsed();
    let (mut killed, mut exchanged) = (0, 0);
    let mut random = 0x2545_F491_4F6C_DD1D_u64;
    for n in 0..50 {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        // Half of them near the end, where files are exchanged.
        let part = (random >> 11) as f64 / (1u64 << 53) as f64;
        let part = if n % 2 == 0 { part } else { 0.85 + 0.25 * part };
        let mut run = std::process::Command::new(env!("CARGO_BIN_EXE_foilwright"))
            .arg("cut")
            .arg(&path)
            .args(["--order", "travel", "--quiet", "--out"])
            .arg(&out)
            .spawn()
            .unwrap();
        std::thread::sleep(whole.mul_f64(part));
        if run.try_wait().unwrap().is_none() {
            killed += 1;
        }
        let _ = run.kill();
        run.wait().unwrap();
        for (path, bytes) in contents(&out) {
            let name = path.strip_prefix(&out).unwrap();
            if name.to_string_lossy().starts_with(".foilwright-") {
                // What a killed run was writing has a hidden name of its own; the next run takes it away.
                continue;
            }
            let whole_file = versions.iter().any(|v| v.get(name) == Some(&bytes));
            assert!(whole_file, "{} is of neither version", path.display());
            exchanged += usize::from(versions[1].get(name) == Some(&bytes));
        }
        // Back to the first version.
        for (name, bytes) in &versions[0] {
            std::fs::write(out.join(name), bytes).unwrap();
        }
    }
    println!("{killed} of 50 runs killed; {exchanged} files were exchanged by then");
    assert!(killed >= 20, "only {killed} runs were killed on the way");
}
