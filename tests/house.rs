//! The house in order: what the documents name exists, and the same input gives the same bytes.

use assert_cmd::Command;
use std::path::PathBuf;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Words in backticks or link targets that look like paths of the project.
fn paths_named(text: &str) -> Vec<String> {
    let mut out = Vec::new();
    let quoted = text
        .split('`')
        .skip(1)
        .step_by(2)
        .flat_map(str::split_whitespace);
    let linked = text.split("](").skip(1).filter_map(|t| t.split(')').next());
    for word in quoted.chain(linked) {
        let word = word.trim_matches(|c: char| ",;:()'\"".contains(c));
        let folders = [
            "src/",
            "tests/",
            "benches/",
            "fixtures/",
            "demo-data/",
            "docs/",
            "assets/",
            "fuzz/",
            ".ci/",
            "examples/",
        ];
        let is_file = !word.contains('/')
            && [".md", ".rs", ".toml", ".sh"]
                .iter()
                .any(|e| word.ends_with(e))
            && root().join(word).parent().is_some();
        let pattern = word.contains(['*', '{', '<', '$', '…']) || word.contains("...");
        let made_by_runs = word.contains("foilwright-out");
        let in_folder = folders.iter().any(|f| word.starts_with(f)) && !pattern && !made_by_runs;
        let at_top = is_file && word.chars().next().is_some_and(char::is_uppercase);
        if in_folder || at_top {
            out.push(word.to_owned());
        }
    }
    out
}

#[test]
fn every_path_that_a_document_names_exists() {
    for (document, least) in [("DEVELOPERS.md", 15), ("README.md", 2)] {
        let text = std::fs::read_to_string(root().join(document)).unwrap();
        let named = paths_named(&text);
        assert!(named.len() >= least, "{document} names {named:?} only");
        let missing: Vec<_> = named.iter().filter(|p| !root().join(p).exists()).collect();
        assert!(
            missing.is_empty(),
            "{document} names what is not there: {missing:?}"
        );
    }
}

#[test]
fn every_folder_of_the_source_is_in_the_developers_table() {
    let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    for entry in std::fs::read_dir(root().join("src")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            assert!(
                text.contains(&format!("src/{name}/")),
                "src/{name}/ is not described"
            );
        }
    }
}

#[test]
fn the_same_input_gives_the_same_bytes_on_any_number_of_threads() {
    let d = tempfile::tempdir().unwrap();
    let run = |threads: Option<&str>, out: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_foilwright"));
        if let Some(n) = threads {
            command.env("RAYON_NUM_THREADS", n);
        }
        let out = d.path().join(out);
        command
            .arg("cut")
            .arg(root().join("demo-data/thermopile-sensor.svg"))
            .args([
                "--as",
                "rs274,svg,plan,dxf,csv,batches",
                "--passes",
                "2",
                "--out",
            ])
            .arg(&out)
            .assert()
            .success();
        let mut files: Vec<(PathBuf, Vec<u8>)> = Vec::new();
        let mut folders = vec![out.clone()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    let bytes = std::fs::read(&path).unwrap();
                    files.push((path.strip_prefix(&out).unwrap().to_owned(), bytes));
                }
            }
        }
        files.sort();
        files
    };
    let first = run(None, "a");
    assert!(first.len() > 15, "{} files", first.len());
    for (threads, out) in [(None, "b"), (Some("1"), "c"), (Some("2"), "d")] {
        let again = run(threads, out);
        assert_eq!(first.len(), again.len());
        for (x, y) in first.iter().zip(&again) {
            assert!(x == y, "{} differs on {threads:?} threads", x.0.display());
        }
    }
}
