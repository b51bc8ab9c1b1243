#!/usr/bin/env bash
# Prepares ./.venv with locked packages and the `fluewright` command. Safe to run again: does only what is missing.
#   ./setup.sh        what the program needs to run
#   ./setup.sh dev    the same, and what its tests and checks need
set -euo pipefail
cd "$(dirname "$0")"
flavour=${1:-run}
case "$flavour" in
  run) lock=requirements.lock ;;
  dev) lock=requirements-dev.lock ;;
  *) echo "setup.sh: unknown word '$flavour'; use no word or 'dev'" >&2; exit 2 ;;
esac

say() { printf 'setup: %s\n' "$*" >&2; }

apt_install() { # packages...: install them, or say what to install and fail
  if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    run=""
  elif command -v sudo >/dev/null && sudo -n true 2>/dev/null && command -v apt-get >/dev/null; then
    run="sudo -n"
  else
    say "please install these packages first, then run this again: $*"
    exit 1
  fi
  say "installing $* with apt-get"
  $run apt-get update -qq
  DEBIAN_FRONTEND=noninteractive $run apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

python=$(command -v python3 || true)
[ -n "$python" ] || { say "python3 (3.11 or newer) is missing; please install it"; exit 1; }
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
  say "$($python --version) found; fluewright needs Python 3.11 or newer"; exit 1; }

# Debian splits venv and the certificates from python3; both are needed to fetch packages.
if [ ! -x .venv/bin/python ]; then
  missing=()
  "$python" -c 'import ensurepip, venv' 2>/dev/null || missing+=(python3-venv)
  if [ -f /etc/debian_version ] && [ ! -e /etc/ssl/certs/ca-certificates.crt ]; then missing+=(ca-certificates); fi
  if [ ${#missing[@]} -gt 0 ]; then apt_install "${missing[@]}"; fi
  say "making .venv with $($python --version)"
  "$python" -m venv .venv
fi

# The tests play scales on the sampled flutes of a sound font.
if [ "$flavour" = dev ]; then
  missing=()
  command -v fluidsynth >/dev/null || missing+=(fluidsynth)
  [ -e /usr/share/sounds/sf2/FluidR3_GM.sf2 ] || missing+=(fluid-soundfont-gm)
  if [ ${#missing[@]} -gt 0 ]; then apt_install "${missing[@]}"; fi
fi

# The browser of the tests, and what its driver needs.
if [ "$flavour" = dev ]; then
  missing=()
  command -v chromium >/dev/null || missing+=(chromium)
  ldconfig -p 2>/dev/null | grep -q libatomic.so.1 || missing+=(libatomic1)
  if [ ${#missing[@]} -gt 0 ]; then apt_install "${missing[@]}"; fi
fi

# The disk that forgets what was not synced, on which the tests play power cuts.
if [ "$flavour" = dev ] && ! command -v cc >/dev/null && ! command -v gcc >/dev/null && ! command -v clang >/dev/null; then
  apt_install gcc libc6-dev
fi

stamp=.venv/.fluewright-$flavour
want=$(cat requirements-setup.lock "$lock" pyproject.toml | sha256sum)
if [ "$(cat "$stamp" 2>/dev/null || true)" != "$want" ]; then
  say "installing locked packages ($lock)"
  .venv/bin/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements-setup.lock
  .venv/bin/uv pip install -q --compile-bytecode --python .venv/bin/python --require-hashes -r "$lock"
  .venv/bin/uv pip install -q --python .venv/bin/python --no-deps --no-build-isolation -e .
  say "compiling the acoustic kernels (once, about a minute)"
  .venv/bin/python -c 'from fluewright.acoustics.first_use import compile_kernels; compile_kernels()'
  printf '%s' "$want" > "$stamp"
fi
say "ready: .venv/bin/fluewright"
