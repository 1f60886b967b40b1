#!/bin/sh
# Puts stencil fonts and their plain twins (all OFL-1.1) into .outside/fonts, for the tests of tests/stencil/fonts.rs.
# Nothing of it is committed. Needs npm, apt-get, dpkg, and Python with fonttools and brotli (the packages hold WOFF2 only).
set -eu
cd "$(dirname "$0")/../.."
if [ ! -d .outside/node_modules/@fontsource ]; then
    npm i --no-save --ignore-scripts --prefix .outside \
        @fontsource/saira @fontsource/saira-stencil-one @fontsource/stardos-stencil
fi
if [ ! -d .outside/deb/usr/share/fonts/opentype/allerta ]; then
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
    (cd "$work" && apt-get download fonts-allerta)
    dpkg -x "$work"/fonts-allerta_*.deb .outside/deb
fi
mkdir -p .outside/fonts
cp .outside/deb/usr/share/fonts/opentype/allerta/*.otf .outside/fonts/
for name in saira saira-stencil-one stardos-stencil; do
    python3 - ".outside/node_modules/@fontsource/$name/files/$name-latin-400-normal.woff2" ".outside/fonts/$name.ttf" <<'PY'
import sys
from fontTools.ttLib import TTFont
font = TTFont(sys.argv[1])
font.flavor = None
font.save(sys.argv[2])
PY
done
ls .outside/fonts
