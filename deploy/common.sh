# Shared by demo and test: what this computer must have, and how it gets it. Sourced, not run.

say() { printf '%s\n' "$*" >&2; }
die() { say "$*"; exit 2; }

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$root"

need_rust() {
  command -v cargo >/dev/null 2>&1 || die "Rust is missing. Install Rust 1.95 or later with rustup (your system's package may be older), then run this again."
  local have minor
  have=$(rustc --version | sed -E 's/^rustc ([0-9]+\.[0-9]+).*/\1/')
  minor=${have#1.}
  if [ "${have%%.*}" -lt 2 ] && [ "$minor" -lt 95 ]; then
    die "This is Rust $have; Twinkeel needs 1.95 or later. With rustup: rustup update stable"
  fi
}

# debian PACKAGE WHY [PACKAGE WHY ...]: installs what is missing, and says what and why.
debian() {
  local missing=()
  while [ $# -gt 1 ]; do
    if ! dpkg-query -W -f='${Status}' "$1" 2>/dev/null | grep -q 'ok installed'; then
      say "missing: $1 ($2)"
      missing+=("$1")
    fi
    shift 2
  done
  [ ${#missing[@]} -eq 0 ] && return 0
  local as=()
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null 2>&1 || die "These packages are missing, and there is neither root nor sudo: ${missing[*]}"
    as=(sudo)
  fi
  say "installing: ${missing[*]}"
  "${as[@]}" apt-get -o DPkg::Lock::Timeout=300 update -qq >&2
  "${as[@]}" apt-get -o DPkg::Lock::Timeout=300 install -y -qq --no-install-recommends "${missing[@]}" >&2
}

# need_to_build: what the program itself needs.
need_to_build() {
  need_rust
  case "$(uname -s)" in
    Linux)
      if command -v apt-get >/dev/null 2>&1; then
        debian gcc "some libraries are C" \
          pkg-config "finds the sound libraries" \
          libasound2-dev "ALSA: MIDI ports and audio devices" \
          libjack-jackd2-dev "JACK: MIDI ports and audio devices"
      else
        pkg-config --exists alsa jack 2>/dev/null || die "Install, by your system's own means: a C compiler, pkg-config, and the development files of ALSA (alsa.pc) and JACK (jack.pc). Then run this again."
      fi ;;
    Darwin) xcode-select -p >/dev/null 2>&1 || die "Install Apple's command line tools: xcode-select --install. Then run this again." ;;
    *) die "On this system: install Rust 1.95 or later and the system's C compiler (on Windows: the MSVC build tools), then: cargo run --release -p twinkeel -- demo" ;;
  esac
}

# JACK is opened at run time and needed at build time; only Linux has it everywhere.
features() { [ "$(uname -s)" = Linux ] && printf -- '--features jack' || true; }
