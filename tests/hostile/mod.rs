//! Hostile input: everything that is read from outside, spoilt in thousands of ways.
//!
//! `cargo test` feeds each reader a few hundred inputs. Longer runs: `FOILWRIGHT_FUZZ_CPU_S=600
//! cargo test --profile quick -- --ignored slow_fuzz --test-threads 1 --nocapture`; `FOILWRIGHT_FUZZ_SEED`
//! chooses another stream, `FOILWRIGHT_FUZZ_CORPUS=DIR` keeps what was learnt for the next run. A failing input is left in `target/tmp/hostile`.

mod drawings;
pub mod harness;
mod mutate;
mod targets;

use harness::{Target, Until, run};

fn short(target: &Target, inputs: usize) {
    run(target, Until::Inputs(inputs), 1);
}

fn long(target: &Target) {
    let number = |name: &str, otherwise: f64| {
        std::env::var(name).map_or(otherwise, |v| {
            v.parse().unwrap_or_else(|_| panic!("{name} is no number"))
        })
    };
    let seconds = number("FOILWRIGHT_FUZZ_CPU_S", 60.0);
    run(
        target,
        Until::CpuSeconds(seconds),
        number("FOILWRIGHT_FUZZ_SEED", 2.0) as u64,
    );
}

macro_rules! fuzz {
    ($($short:ident $slow:ident $target:expr, $inputs:expr;)*) => {$(
        #[test]
        fn $short() {
            short(&$target, $inputs);
        }
        #[test]
        #[ignore = "slow: takes FOILWRIGHT_FUZZ_CPU_S seconds of CPU time"]
        fn $slow() {
            long(&$target);
        }
    )*};
}

fuzz! {
    fuzz_svg slow_fuzz_svg targets::svg(), 150;
    fuzz_recipe slow_fuzz_recipe targets::recipe(), 300;
    fuzz_readings slow_fuzz_readings targets::readings(), 500;
    fuzz_rs274 slow_fuzz_rs274 targets::rs274(), 300;
    fuzz_dxf slow_fuzz_dxf targets::dxf(), 300;
    fuzz_plan slow_fuzz_plan targets::plan(), 300;
    fuzz_cut_svg slow_fuzz_cut_svg targets::cut_svg(), 300;
}

/// One input again, to look into what a run found: `FOILWRIGHT_FUZZ_INPUT=FILE`, the target by the name
/// of the file.
#[test]
#[ignore = "needs FOILWRIGHT_FUZZ_INPUT"]
fn slow_fuzz_again() {
    let file = std::path::PathBuf::from(std::env::var("FOILWRIGHT_FUZZ_INPUT").unwrap());
    let bytes = std::fs::read(&file).unwrap();
    let name = file.file_name().unwrap().to_string_lossy().into_owned();
    let all = [
        targets::svg(),
        targets::recipe(),
        targets::readings(),
        targets::rs274(),
        targets::dxf(),
        targets::plan(),
        targets::cut_svg(),
    ];
    let target = all
        .iter()
        .find(|t| name.starts_with(&format!("{}-", t.name)))
        .unwrap();
    println!("{}", (target.feed)(&bytes));
}
