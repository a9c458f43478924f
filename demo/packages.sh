# The Debian 12 packages that building, running and testing need; sourced by demo/run.sh and tests/run.sh.
#
# need_packages LIST… installs those that are missing and says so first; uses sudo where the user is not root.

build_packages=(g++ cmake ninja-build libasio-dev nlohmann-json3-dev libspdlog-dev libfmt-dev libcli11-dev libssl-dev libseccomp-dev libedit-dev
                libmodbus-dev libeigen3-dev libboost-dev libkainjow-mustache-dev python3-minimal)
test_packages=(catch2 python3 python3-cryptography python3-serial python3-jsonschema procps openssl strace socat ser2net
               python3-pyvisa-py python3-pymodbus python3-serial-asyncio)
# Large, or at home on servers only: tests that lack one of them leave themselves out and say so. CI has them.
ci_packages=(chromium iproute2 prometheus)

need_packages() {
  local missing=()
  for package in "$@"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing+=("$package")
  done
  [ ${#missing[@]} -eq 0 ] && return 0
  echo "Installing Debian packages: ${missing[*]}"
  local root=()
  [ "$(id -u)" -eq 0 ] || root=(sudo)
  "${root[@]}" apt-get update -qq
  "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
}
