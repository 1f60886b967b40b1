#!/bin/sh
# Draws the README's pictures anew from the demo drawings. FOILWRIGHT may name a built program.
set -eu
cd "$(dirname "$0")/.."
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
for drawing in absorber-rings fine-leads window-field; do
    ${FOILWRIGHT:-cargo run --release --quiet --} cut "demo-data/$drawing.svg" --quiet --out "$out"
done
cp "$out/absorber-rings-absorber.order.png" docs/absorber-rings.png
cp "$out/fine-leads-leads.order.png" docs/fine-leads.png
cp "$out/window-field-windows.order.png" docs/window-field.png
