//! Recipes: reading, bounds, unknown keys, the annotated file.

use foilwright::recipe::{BUILT_IN, Recipe, SheetSize};

#[test]
fn every_built_in_survives_its_annotated_file() {
    for (name, _) in BUILT_IN {
        let recipe = Recipe::load(name).unwrap();
        let back = Recipe::parse(&recipe.to_annotated_toml(), name).unwrap();
        assert_eq!(recipe, back, "{name}");
        assert!(recipe.kerf_mismatch().is_empty(), "{name}");
    }
}

#[test]
fn unknown_keys_name_the_nearest_known_one() {
    let e = Recipe::parse("[kerf]\nwidht_um = 8", "mine.toml")
        .unwrap_err()
        .to_string();
    assert_eq!(
        e,
        "recipe mine.toml: unknown key `[kerf] widht_um`; did you mean `width_um`?"
    );
    let e = Recipe::parse("[kerv]\nwidth_um = 8", "mine.toml")
        .unwrap_err()
        .to_string();
    assert!(e.contains("`[kerv]`; did you mean `kerf`?"), "{e}");
}

#[test]
fn values_out_of_bounds_or_of_the_wrong_kind_say_what_is_wanted() {
    for (text, wanted) in [
        ("[kerf]\nwidth_um = -1", "out of bounds: 0 to 1000"),
        ("[kerf]\nwidth_um = nan", "out of bounds"),
        ("[kerf]\nwidth_um = \"8um\"", "expected a number"),
        (
            "[passes]\nscheme = \"round\"",
            "one of \"rounds\", \"in_place\"",
        ),
        ("[foil]\nmaterial = \"steel\"", "known: low-carbon-steel"),
        ("[sheet]\nsize = \"25\"", "25x25mm"),
        ("[tie_bars]\nmin_per_island = 9", "less than min_per_island"),
        ("kerf = 8", "write [kerf] on a line of its own"),
        ("[kerf", "TOML parse error"),
    ] {
        let e = Recipe::parse(text, "r.toml").unwrap_err().to_string();
        assert!(e.contains(wanted), "{text}: {e}");
    }
}

#[test]
fn sheet_sizes() {
    let fixed = |w, h| {
        Some(SheetSize::Fixed {
            width_mm: w,
            height_mm: h,
        })
    };
    assert_eq!(SheetSize::parse("25x25mm"), fixed(25.0, 25.0));
    assert_eq!(SheetSize::parse("1inx20mm"), fixed(25.4, 20.0));
    assert_eq!(SheetSize::parse("25x25"), None);
    assert_eq!(SheetSize::parse("0x25mm"), None);
}

#[test]
fn words_that_cannot_switch_the_beam_are_refused() {
    use foilwright::recipe::Recipe;
    let parse = |line: &str| Recipe::parse(&format!("[rs274]\n{line}\n"), "r.toml");
    for (line, says) in [
        ("beam_off = \"M.\"", "no word that can switch a beam"),
        ("beam_off = \"\"", "no word that can switch a beam"),
        ("beam_off = \"M30\"", "stop or end the job"),
        ("beam_on = \"M3 G1\"", "no word that can switch a beam"),
        ("beam_on = \"M05\"", "the same word as beam_on"),
        ("power_word = \"X\"", "no letter for a power"),
        ("power_word = \"\"", "no letter for a power"),
    ] {
        let said = parse(line).unwrap_err().to_string();
        assert!(
            said.contains(says) && said.contains("r.toml"),
            "{line}: {said}"
        );
    }
    assert!(parse("beam_on = \"M64\"\nbeam_off = \"M65\"\npower_word = \"Q\"").is_ok());
}
