#!/usr/bin/env bash
# Installs what tests need, builds and tests. tests/run.sh [PRESET …]; default: release. CI adds asan.
#
# Tests wait more than they work: while those of one preset run, the next preset is built with what they leave of the machine.
set -euo pipefail
top=$(cd "$(dirname "$0")/.." && pwd)
. "$top/demo/packages.sh"
cd "$top"
need_packages "${build_packages[@]}" "${test_packages[@]}"

build() {
  echo "== $1"
  local log
  log=$(mktemp)
  cmake --preset "$1" -DNIGHTWELL_TESTS=ON >"$log" || { cat "$log"; exit 1; }
  rm -f "$log"
  cmake --build --preset "$1"
}

# In a process group of its own, so that none of it outlives us.
next_build=
trap '[ -z "$next_build" ] || kill -- "-$next_build" 2>/dev/null || true' EXIT
build_beside() {
  set -m
  (renice -n 19 "$BASHPID" >/dev/null && build "$1") >"$2" 2>&1 &
  next_build=$!
  set +m
}

presets=("${@:-release}")
build "${presets[0]}"
for i in "${!presets[@]}"; do
  preset=${presets[i]} next=${presets[i + 1]:-}
  next_log=$(mktemp)
  [ -z "$next" ] || build_beside "$next" "$next_log"
  ctest --preset "$preset" -j3
  [ -z "$next" ] || wait "$next_build" || { cat "$next_log"; exit 1; }
  next_build=
  cat "$next_log"
  rm -f "$next_log"
done
