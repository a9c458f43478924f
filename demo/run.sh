#!/usr/bin/env bash
# One night at a seed bank's cold store, in under a minute: installs, builds, runs a calibration of six type T probes
# and two Pt100 against a reference in a simulated bath, and shows the results. Nothing here heats anything real.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
top=$(dirname "$here")
. "$here/packages.sh"

speed=${NIGHTWELL_DEMO_SPEED:-800}
out=$here/out

need_packages "${build_packages[@]}"
echo "Building (a first build takes a few minutes) …"
cd "$top"
log=$(mktemp)
# The demo needs no tests; a tree that already builds them goes on doing so.
[ -f build/release/CMakeCache.txt ] || without_tests=-DNIGHTWELL_TESTS=OFF
cmake --preset release ${without_tests:-} >"$log" || { cat "$log"; exit 1; }
rm -f "$log"
cmake --build --preset release --target nightwell nightwelld nightwell-guardian nightwell-simbench
bin=$top/build/release/bin

rm -rf "$out"
mkdir -p "$out/ports" "$out/sim" "$out/second"
export NIGHTWELL_RUNTIME=$out/runtime NIGHTWELL_STATE=$out/state

# Whatever happens, nothing of this stays behind.
pids=()
clean_up() {
  for pid in "${pids[@]}"; do kill "$pid" 2>/dev/null || true; done
  wait 2>/dev/null || true
}
trap clean_up EXIT

cat <<'TEXT'

  CAUTION. On a real bench the source's block, fluid and sensors burn or freeze skin long after the display looks
  harmless. An unattended heater needs its own independent hardware over-temperature cut-out: no program, this one
  included, replaces it. Local rules and licensed practice come first.

TEXT

coproc SIM { exec "$bin/nightwell-simbench" "$here/sim.json" --speed "$speed" --seed 2026 --log "$out/sim" 2>"$out/sim.err"; }
pids+=("$SIM_PID")
read -r ready <&"${SIM[0]}"
[ "$ready" = ready ] || { cat "$out/sim.err"; exit 1; }
"$bin/nightwell" keys make "$out/seal" >/dev/null  # a lab makes its own once, and keeps it
"$bin/nightwelld" --speed "$speed" --seal-key "$out/seal" --second "$out/second" 2>"$out/nightwelld.log" &
pids+=($!)
for _ in $(seq 100); do [ -S "$NIGHTWELL_RUNTIME/control.sock" ] && break; sleep 0.05; done

echo "\$ nightwell start profiles/cold-store.json demo/bench.json demo/job.json"
run=$("$bin/nightwell" start profiles/cold-store.json demo/bench.json demo/job.json)
echo "$run"
echo
echo "\$ nightwell watch $run      (the night, $speed times as fast)"
"$bin/nightwell" watch "$run"
echo
echo "\$ nightwell results $run"
"$bin/nightwell" results "$run"
echo
journal=$NIGHTWELL_STATE/runs/$run/journal.ndjson
"$bin/nightwell" results "$run" --json >"$out/results.json"
"$bin/nightwell" report "$run" -o "$out/report.html" >/dev/null
"$bin/nightwell" results "$run" --csv >"$out/results.csv"
echo "The simulator's true errors, found again:"
python3 "$here/compare.py" "$out/results.json" "$out/sim/truth.json" bath
echo
echo "\$ nightwell verify $run --key demo/out/seal.pub --copy demo/out/second/$run"
"$bin/nightwell" verify "$run" --key "$out/seal.pub" --copy "$out/second/$run"
echo "report: $out/report.html"
echo "journal: $journal"
