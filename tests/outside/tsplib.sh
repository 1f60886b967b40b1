#!/bin/sh
# Fetches TSPLIB instances (as carried by the crate mahf-tsplib) into .outside/tsplib, for the slow tests
# of tests/travel.rs. Nothing of it is committed.
set -eu
cd "$(dirname "$0")/../.."
mkdir -p .outside/tsplib
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/src"
touch "$work/src/lib.rs"
printf '[package]\nname = "fetch"\nversion = "0.0.0"\nedition = "2021"\n[dependencies]\nmahf-tsplib = "*"\n[workspace]\n' >"$work/Cargo.toml"
(cd "$work" && cargo vendor --quiet --versioned-dirs >/dev/null)
find "$work/vendor" -path '*mahf-tsplib*' -name '*.tsp*' -exec cp {} .outside/tsplib/ \;
gunzip -f .outside/tsplib/*.gz 2>/dev/null || true
ls .outside/tsplib
