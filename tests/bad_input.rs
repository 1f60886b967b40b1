//! Bad input at the command line: the message, the exit code, and that nothing is left behind.

use assert_cmd::Command;
use std::path::{Path, PathBuf};

const NS: &str = "xmlns=\"http://www.w3.org/2000/svg\"";

fn page(body: &str) -> String {
    format!("<svg {NS} width=\"20mm\" height=\"20mm\" viewBox=\"0 0 20 20\">{body}</svg>")
}

const PAD: &str = "<rect id=\"pad\" x=\"5\" y=\"5\" width=\"2\" height=\"2\"/>";

/// A folder with one drawing in it.
struct Bench {
    folder: tempfile::TempDir,
}

struct Answer {
    code: i32,
    out: String,
    err: String,
}

impl Bench {
    fn new(text: &str) -> Bench {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("drawing.svg"), text).unwrap();
        Bench { folder }
    }
    fn drawing(&self) -> PathBuf {
        self.folder.path().join("drawing.svg")
    }
    fn results(&self) -> PathBuf {
        self.folder.path().join("out")
    }
    fn run(&self, command: &str, flags: &[&str]) -> Answer {
        let mut run = Command::new(env!("CARGO_BIN_EXE_foilwright"));
        run.current_dir(self.folder.path())
            .arg(command)
            .arg(self.drawing());
        if command == "cut" {
            run.arg("--out").arg(self.results()).arg("--no-pictures");
        }
        let output = run
            .args(flags)
            .timeout(std::time::Duration::from_secs(120))
            .output()
            .unwrap();
        Answer {
            code: output.status.code().expect("it ends by itself"),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
    /// `cut` and `check` cannot run: exit code 2, every word on stderr, nothing written.
    fn refused(&self, flags: &[&str], words: &[&str]) {
        for command in ["cut", "check"] {
            let a = self.run(command, flags);
            assert_eq!(a.code, 2, "{command} {flags:?}: {}{}", a.out, a.err);
            for word in words {
                assert!(a.err.contains(word), "`{word}` is not in: {}", a.err);
            }
            assert!(!a.err.contains("panicked"), "{}", a.err);
            assert!(!self.results().exists(), "something was written");
        }
    }
    /// `cut` and `check` find what blocks: exit code 1, every word on stdout, nothing written.
    fn blocked(&self, flags: &[&str], words: &[&str]) {
        for command in ["cut", "check"] {
            let a = self.run(command, flags);
            assert_eq!(a.code, 1, "{command} {flags:?}: {}{}", a.out, a.err);
            for word in words {
                assert!(a.out.contains(word), "`{word}` is not in: {}", a.out);
            }
            assert!(!self.results().exists(), "something was written");
        }
    }
    /// `cut` runs and says so.
    fn passes(&self, flags: &[&str], words: &[&str]) {
        let a = self.run("cut", flags);
        assert_eq!(a.code, 0, "{flags:?}: {}{}", a.out, a.err);
        for word in words {
            assert!(a.out.contains(word), "`{word}` is not in: {}", a.out);
        }
        assert!(self.results().join("drawing.report.json").exists());
    }
}

#[test]
fn no_svg() {
    Bench::new("hello").refused(&[], &["drawing.svg", "plain SVG"]);
    Bench::new("").refused(&[], &["drawing.svg", "plain SVG"]);
    Bench::new("<html></html>").refused(&[], &["drawing.svg", "`html`"]);
}

#[test]
fn truncated_svg() {
    let whole = page(PAD);
    Bench::new(&whole[..whole.len() - 9]).refused(&[], &["drawing.svg", "cut short"]);
    Bench::new(&whole[..40]).refused(&[], &["drawing.svg"]);
}

#[test]
fn a_drawing_that_is_not_there() {
    let bench = Bench::new(&page(PAD));
    std::fs::remove_file(bench.drawing()).unwrap();
    bench.refused(&[], &["drawing.svg", "No such file"]);
    std::fs::create_dir(bench.drawing()).unwrap();
    bench.refused(&[], &["drawing.svg"]);
}

#[test]
fn pages_without_area_or_size() {
    let svg = |attributes: &str| format!("<svg {NS} {attributes}>{PAD}</svg>");
    Bench::new(&svg("width=\"0mm\" height=\"0mm\"")).refused(&[], &["no area"]);
    Bench::new(&svg("width=\"9mm\" height=\"0mm\"")).refused(&[], &["no area"]);
    let unsized_page = Bench::new(&svg("viewBox=\"0 0 20 20\""));
    unsized_page.refused(&[], &["--width 25mm"]);
    unsized_page.passes(&["--width", "20mm"], &["20 x 20 mm"]);
}

#[test]
fn coordinates_that_are_no_place() {
    for number in ["1e30", "-1e30", "5000"] {
        Bench::new(&page(&format!(
            "<rect id=\"far\" x=\"{number}\" y=\"5\" width=\"2\" height=\"2\"/>"
        )))
        .refused(&[], &["element `far`", "1000 mm"]);
    }
    // No number at all: read like the SVG standard says (up to the error), and told.
    let nan = Bench::new(&page(&format!(
        "{PAD}<path id=\"odd\" d=\"M9 9h2v2h-2z M NaN 3L5 5\"/>"
    )));
    nan.passes(&[], &["svg-warning"]);
    for attribute in [
        "transform=\"translate(NaN 0)\"",
        "transform=\"scale(1e30)\"",
    ] {
        let a = Bench::new(&page(&format!("<g {attribute}>{PAD}</g>"))).run("check", &[]);
        assert!([0, 2].contains(&a.code), "{attribute}: {}{}", a.out, a.err);
        assert!(!a.err.contains("panicked"), "{attribute}: {}", a.err);
    }
}

#[test]
fn a_million_deep_nesting() {
    let deep = 1_000_000;
    Bench::new(&page(&format!(
        "{}{}",
        "<g>".repeat(deep),
        "</g>".repeat(deep)
    )))
    .refused(&[], &["drawing.svg", "256"]);
    Bench::new(&format!(
        "<svg {NS} width=\"9mm\" height=\"9mm\">{}",
        "<g>".repeat(deep)
    ))
    .refused(&[], &["drawing.svg"]);
}

#[test]
fn entity_bombs() {
    let bomb: String = (1..12)
        .map(|i| format!("<!ENTITY a{i} \"{}\">", format!("&a{};", i - 1).repeat(10)))
        .collect();
    Bench::new(&format!(
        "<!DOCTYPE svg [<!ENTITY a0 \"x\">{bomb}]><svg {NS} width=\"9mm\" height=\"9mm\"><text>&a11;</text></svg>"
    ))
    .refused(&[], &["drawing.svg"]);
    Bench::new(&format!(
        "<!DOCTYPE svg [<!ENTITY a \"&b;\"><!ENTITY b \"&a;\">]><svg {NS} width=\"9mm\" height=\"9mm\"><text>&a;</text></svg>"
    ))
    .refused(&[], &["drawing.svg"]);
}

#[test]
fn what_lies_outside_the_file_is_never_fetched() {
    // A server that notes whether anybody calls.
    let server = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    server.set_nonblocking(true).unwrap();
    let url = format!("http://{}", server.local_addr().unwrap());
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/contact-pads.svg");
    for href in [
        format!("{url}/photo.png"),
        format!("{url}/pads.svg"),
        beside.display().to_string(),
        format!("file://{}", beside.display()),
    ] {
        Bench::new(&page(&format!(
            "{PAD}<image id=\"photo\" width=\"3\" height=\"3\" href=\"{href}\"/>"
        )))
        .refused(&[], &["element `photo`", "image"]);
    }
    for body in [
        format!("<use id=\"far\" href=\"{url}/pads.svg#a\"/>"),
        format!("<use id=\"far\" href=\"{}#pad-1\"/>", beside.display()),
    ] {
        Bench::new(&page(&format!("{PAD}{body}")))
            .passes(&[], &["broken-reference", "element `far`"]);
    }
    let style =
        format!("<style>@import url({url}/a.css); @font-face {{ src: url({url}/a.woff) }}</style>");
    Bench::new(&page(&format!("{style}{PAD}"))).passes(&[], &[]);
    let entity = format!(
        "<!DOCTYPE svg [<!ENTITY far SYSTEM \"{}\">]><svg {NS} width=\"9mm\" height=\"9mm\">&far;</svg>",
        beside.display()
    );
    let a = Bench::new(&entity).run("check", &[]);
    assert!(
        !a.out.contains("contact") && !a.err.contains("panicked"),
        "{}{}",
        a.out,
        a.err
    );
    let called = server.accept().is_ok();
    assert!(!called, "somebody called the server");
}

#[test]
fn a_page_of_next_to_nothing() {
    // A height and a wild viewBox make the page twelve nanometres wide.
    Bench::new(&format!(
        "<svg {NS} height=\"12mm\" viewBox=\"0 0 12 12535069\">{PAD}</svg>"
    ))
    .refused(&[], &["no foil is cut that small", "viewBox"]);
    Bench::new(&page(PAD)).refused(&["--sheet", "0.05x20mm"], &["0.05 x 20 mm"]);
}

#[test]
fn a_page_larger_than_the_field() {
    let big = Bench::new(&format!(
        "<svg {NS} width=\"210mm\" height=\"297mm\" viewBox=\"0 0 210 297\"><rect id=\"pad\" x=\"150\" y=\"200\" width=\"5\" height=\"5\"/></svg>"
    ));
    big.blocked(
        &[],
        &["sheet-exceeds-field", "210 x 297 mm", "--sheet artwork"],
    );
    big.passes(&["--sheet", "artwork"], &[]);
}

#[test]
fn an_opening_across_the_page_edge() {
    let across = "<rect id=\"strip\" x=\"15\" y=\"5\" width=\"8\" height=\"2\"/>";
    Bench::new(&page(across)).blocked(
        &[],
        &[
            "opening-across-sheet-edge",
            "element `strip`",
            "--sheet artwork",
        ],
    );
    // One that ends exactly at the edge cuts it open just so.
    let to_edge = "<rect id=\"strip\" x=\"15\" y=\"5\" width=\"5\" height=\"2\"/>";
    Bench::new(&page(to_edge)).blocked(&[], &["opening-across-sheet-edge", "element `strip`"]);
    Bench::new(&page(across)).passes(&["--sheet", "artwork"], &[]);
}

#[test]
fn a_cut_that_divides_the_sheet() {
    let divided = ["sheet-divided", "element `slot`", "hint", "bridge of foil"];
    // From edge to edge: both parts touch the edge, and no island is left to find.
    for slot in [
        "<rect id=\"slot\" x=\"-1\" y=\"9\" width=\"22\" height=\"1\"/>",
        "<rect id=\"slot\" x=\"0\" y=\"9\" width=\"20\" height=\"1\"/>",
        "<line id=\"slot\" x1=\"0\" y1=\"3\" x2=\"20\" y2=\"17\" stroke=\"#000\" stroke-width=\"0.2\"/>",
        // Thinner than the kerf.
        "<line id=\"slot\" x1=\"-1\" y1=\"3\" x2=\"21\" y2=\"17\" stroke=\"#000\" stroke-width=\"0.005\"/>",
        // Cuts a corner off.
        "<path id=\"slot\" d=\"M12 0v8h8v-1h-7v-7z\"/>",
        // Ends inside, yet leaves hairlines of foil along the edge that hold nothing.
        "<rect id=\"slot\" x=\"0.004\" y=\"9\" width=\"19.992\" height=\"1\"/>",
    ] {
        for islands in ["tie", "split", "refuse"] {
            let bench = Bench::new(&page(&format!("{slot}{PAD}")));
            bench.blocked(&["--islands", islands], &divided);
            let a = bench.run("check", &["--islands", islands]);
            assert!(
                !a.out.contains("[island"),
                "parts are no islands: {}",
                a.out
            );
            assert!(a.out.contains("0 tie bars"), "{}", a.out);
        }
    }
    // The place lies in the slot.
    let a = Bench::new(&page(
        "<rect id=\"slot\" x=\"-1\" y=\"9\" width=\"22\" height=\"1\"/>",
    ))
    .run("check", &["--json"]);
    let report: serde_json::Value = serde_json::from_str(&a.out).unwrap();
    let findings = report["layers"][0]["findings"].as_array().unwrap();
    let found: Vec<_> = findings
        .iter()
        .filter(|f| f["code"] == "sheet-divided")
        .collect();
    assert_eq!(found.len(), 1, "two parts, one division");
    let y = found[0]["at_mm"][1].as_f64().unwrap();
    assert!((9.0..10.0).contains(&y), "{y}");
    // Two slots leave three parts: two divisions. An island beside them is still tied.
    let a = Bench::new(&page(
        "<rect id=\"a\" x=\"-1\" y=\"6\" width=\"22\" height=\"1\"/><rect id=\"b\" x=\"-1\" y=\"12\" width=\"22\" height=\"1\"/>\
         <path id=\"ring\" fill-rule=\"evenodd\" d=\"M2 1h4v4h-4z M3 2h2v2h-2z\"/>",
    ))
    .run("check", &["--json"]);
    let report: serde_json::Value = serde_json::from_str(&a.out).unwrap();
    let layer = &report["layers"][0];
    let count = |code: &str| {
        let all = layer["findings"].as_array().unwrap();
        all.iter().filter(|f| f["code"] == code).count()
    };
    assert_eq!((count("sheet-divided"), count("island-untied")), (2, 0));
    assert_eq!(layer["islands_found"], 1);
    assert!(layer["tie_bars"].as_u64().unwrap() >= 2);
}

#[test]
fn foil_at_the_edge_counts_as_held() {
    // The slot ends well inside on one side: nothing is divided.
    Bench::new(&page(
        "<rect id=\"slot\" x=\"1\" y=\"9\" width=\"18\" height=\"1\"/>",
    ))
    .passes(&[], &[]);
    // A comb of slots open to nothing: one piece.
    let comb: String = (0..6)
        .map(|i| {
            format!(
                "<rect x=\"1\" y=\"{}\" width=\"18\" height=\"1\"/>",
                2 + 3 * i
            )
        })
        .collect();
    Bench::new(&page(&comb)).passes(&[], &[]);
}

#[test]
fn islands_that_may_not_be_tied() {
    let ring = "<path id=\"ring\" fill-rule=\"evenodd\" d=\"M5 5h8v8h-8z M7 7h4v4h-4z\"/>";
    Bench::new(&page(ring)).blocked(
        &["--islands", "refuse"],
        &["[island]", "element `ring`", "16.0"],
    );
}

#[test]
fn empty_layers() {
    let light =
        "<g id=\"light\"><rect fill=\"#fff\" x=\"5\" y=\"5\" width=\"2\" height=\"2\"/></g>";
    for body in ["", "<g id=\"light\"/>", light] {
        Bench::new(&page(body)).blocked(&[], &["nothing-to-cut", "dark paint opens the foil"]);
    }
    // Beside others it is told of and left out; the others are cut.
    let bench = Bench::new(&page(&format!("{light}<g id=\"metal\">{PAD}</g>")));
    bench.passes(&[], &["empty-layer", "layer `light`"]);
    assert!(bench.results().join("drawing-metal.nc").exists());
    assert!(!bench.results().join("drawing-light.nc").exists());
    let alone = bench.run("check", &["--layer", "light"]);
    assert!(
        alone.code == 1 && alone.out.contains("nothing-to-cut"),
        "{}",
        alone.out
    );
}

#[test]
fn a_kerf_wider_than_every_opening() {
    let dots = "<rect id=\"dot\" x=\"5\" y=\"5\" width=\"0.05\" height=\"0.05\"/>\
                <rect id=\"slit\" x=\"9\" y=\"5\" width=\"3\" height=\"0.04\"/>";
    let bench = Bench::new(&page(dots));
    bench.passes(
        &["--kerf", "100um"],
        &[
            "line-much-wider",
            "no wider than the kerf",
            "element `slit`",
        ],
    );
    let a = bench.run("check", &["--kerf", "100um"]);
    assert!(
        a.out.contains("element `dot`"),
        "the dot is not lost in silence: {}",
        a.out
    );
}

#[test]
fn kerfs_that_are_none() {
    let bench = Bench::new(&page(PAD));
    bench.refused(&["--kerf", "8"], &["has no unit"]);
    bench.refused(&["--kerf=-8um"], &["width_um: -8", "0 to 1000"]);
    bench.refused(&["--kerf", "-8um"], &[]);
    bench.refused(&["--kerf", "nanum"], &["--kerf"]);
    bench.refused(&["--kerf", "5mm"], &["out of bounds: 0 to 1000"]);
    bench.refused(&["--kerf", "eight"], &["--kerf"]);
}

#[test]
fn recipes_that_are_wrong() {
    let bench = Bench::new(&page(PAD));
    let recipe = bench.folder.path().join("mine.toml");
    for (text, words) in [
        (
            "[kerf]\nwidht_um = 8\n",
            &["mine.toml", "widht_um", "did you mean `width_um`"][..],
        ),
        ("[kerf]\nwidth_um = -8\n", &["width_um", "-8", "0 to 1000"]),
        (
            "[kerv]\nwidth_um = 8\n",
            &["`[kerv]`", "did you mean `kerf`"],
        ),
        ("[kerf\n", &["mine.toml", "TOML"]),
    ] {
        std::fs::write(&recipe, text).unwrap();
        bench.refused(&["--recipe", "mine.toml"], words);
    }
    bench.refused(&["--recipe", "nosuch"], &["nosuch", "steel-25um"]);
}

#[test]
fn flags_that_are_wrong() {
    let bench = Bench::new(&page(PAD));
    bench.refused(&["--layer", "gold"], &["no layer `gold`"]);
    bench.refused(&["--sheet", "25"], &["25x25mm"]);
    bench.refused(&["--passes", "0"], &["--passes"]);
    let a = bench.run("cut", &["--as", "pdf"]);
    assert!(a.code == 2 && a.err.contains("known: rs274"), "{}", a.err);
}

#[test]
fn force_writes_what_blocks_and_says_so() {
    let ring = "<path id=\"ring\" fill-rule=\"evenodd\" d=\"M5 5h8v8h-8z M7 7h4v4h-4z\"/>";
    let bench = Bench::new(&page(ring));
    let a = bench.run("cut", &["--islands", "refuse", "--force"]);
    assert_eq!(a.code, 1, "{}{}", a.out, a.err);
    let nc = std::fs::read_to_string(bench.results().join("drawing.nc")).unwrap();
    assert!(nc.contains("--force"), "the header says so");
    // Still beam off on every jump and at the end.
    crate::support::as_cut::beam_moves(&nc);
    // A sheet cut in two is written too, on demand.
    let bench = Bench::new(&page(
        "<rect id=\"slot\" x=\"0\" y=\"9\" width=\"20\" height=\"1\"/>",
    ));
    assert_eq!(bench.run("cut", &["--force"]).code, 1);
    assert!(bench.results().join("drawing.nc").exists());
    // What leaves the field is not.
    let big = Bench::new(&format!(
        "<svg {NS} width=\"210mm\" height=\"297mm\" viewBox=\"0 0 210 297\"><rect x=\"2\" y=\"2\" width=\"5\" height=\"5\"/></svg>"
    ));
    let a = big.run("cut", &["--force"]);
    assert!(a.code == 2 && a.err.contains("field"), "{}{}", a.out, a.err);
    assert!(!big.results().exists());
}

/// A closed path of `n` random segments on the page, of 4 letters or more each.
fn scribble(n: usize) -> String {
    let mut state = 7_u64;
    let mut random = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 33) as f64 / (1u64 << 31) as f64 * 20.0
    };
    let points: Vec<String> = (0..n)
        .map(|_| format!("{:.3} {:.3}", random(), random()))
        .collect();
    format!("<path id=\"scribble\" d=\"M{}z\"/>", points.join("L"))
}

#[test]
fn what_crosses_too_often_is_refused_at_once() {
    let begun = std::time::Instant::now();
    for body in [
        scribble(20_000),
        format!(
            "<g fill=\"none\" stroke=\"#000\" stroke-width=\"0.01\">{}</g>",
            scribble(20_000)
        ),
        format!(
            "<clipPath id=\"c\">{}</clipPath><g clip-path=\"url(#c)\">{PAD}</g>",
            scribble(20_000)
        ),
    ] {
        Bench::new(&page(&body)).refused(
            &[],
            &["crosses itself more than 200 thousand times", "draw less"],
        );
    }
    assert!(begun.elapsed().as_secs() < 60);
}

#[test]
fn a_font_missing_in_notes_does_not_matter() {
    let text = "<text x=\"1\" y=\"9\" font-family=\"No Such Font\">as <a>sent</a></text>";
    let a = Bench::new(&page(&format!(
        "<g id=\"_note\">{text}</g><g id=\"hot\">{PAD}</g>"
    )))
    .run("check", &[]);
    assert_ne!(a.code, 2, "{}", a.err);
    assert!(a.out.contains("layer hot: 1 opening"), "{}", a.out);
    Bench::new(&page(&format!(
        "<g id=\"_note\"/><g id=\"hot\">{text}{PAD}</g>"
    )))
    .refused(&[], &["No Such Font", "is at hand"]);
    // Text that a layer to be cut uses is read.
    let used = text.replace("<text", "<text id=\"t\"");
    Bench::new(&page(&format!(
        "<g id=\"_note\">{used}</g><g id=\"hot\">{PAD}<use href=\"#t\"/></g>"
    )))
    .refused(&[], &["No Such Font", "is at hand"]);
}

#[test]
fn a_view_box_without_area() {
    for view_box in ["0 0 0 0", "0 0 20 0"] {
        let text =
            format!("<svg {NS} width=\"20mm\" height=\"20mm\" viewBox=\"{view_box}\">{PAD}</svg>");
        Bench::new(&text).refused(&[], &["viewBox", "larger than zero"]);
    }
}

#[test]
fn long_values_are_shown_short() {
    let b = Bench::new(&page(PAD));
    let recipe = b.folder.path().join("r.toml");
    for text in [
        format!("a={}", "[".repeat(100_000)),
        format!("[kerf]\nwidth_um = \"{}\"", "x".repeat(100_000)),
        format!("[foil]\nmaterial = \"{}\"", "x".repeat(100_000)),
        format!("[{}]", "x".repeat(100_000)),
    ] {
        std::fs::write(&recipe, text).unwrap();
        let a = b.run("check", &["--recipe", recipe.to_str().unwrap()]);
        assert_eq!(a.code, 2);
        assert!(a.err.len() < 2_000, "{} letters", a.err.len());
    }
    let long = PAD.replace("pad", &"x".repeat(100_000));
    let a =
        Bench::new(&page(&long.replace("<rect", "<rect fill-opacity=\"0.5\""))).run("check", &[]);
    assert!(
        a.code == 2 && a.err.len() < 2_000,
        "{} letters",
        a.err.len()
    );
}

#[cfg(unix)]
#[test]
fn a_closed_standard_output_is_no_fault() {
    use std::process::{Command, Stdio};
    let b = Bench::new(&page(PAD));
    for arguments in [
        &["recipe", "materials"][..],
        &["recipe", "show", "steel-25um"],
        &["check", "drawing.svg"],
    ] {
        let mut run = Command::new(env!("CARGO_BIN_EXE_foilwright"))
            .current_dir(b.folder.path())
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(run.stdout.take());
        let output = run.wait_with_output().unwrap();
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{arguments:?}");
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
    }
}
