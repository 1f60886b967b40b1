#!/bin/sh
# Installs open icon sets beside the project, for the checks on outside drawings. Nothing of them is committed.
set -eu
cd "$(dirname "$0")/../.."
exec npm i --no-save --ignore-scripts --prefix .outside \
    @mdi/svg@7.4.47 bootstrap-icons@1.13.2 @tabler/icons@3.52.0 lucide-static@1.62.0 \
    @fortawesome/fontawesome-free@7.3.1
