#!/usr/bin/env bash
# Installs what tests need, builds and tests. tests/run.sh [PRESET …]; default: release. CI adds asan.
set -euo pipefail
top=$(cd "$(dirname "$0")/.." && pwd)
. "$top/demo/packages.sh"
cd "$top"
need_packages "${build_packages[@]}" "${test_packages[@]}"
for preset in "${@:-release}"; do
  echo "== $preset"
  log=$(mktemp)
  cmake --preset "$preset" -DNIGHTWELL_TESTS=ON >"$log" || { cat "$log"; exit 1; }
  rm -f "$log"
  cmake --build --preset "$preset"
  # Tests wait more than they work; under the sanitizers they work more.
  jobs=3
  [[ $preset == asan* ]] && jobs=2
  ctest --preset "$preset" -j"$jobs"
done
