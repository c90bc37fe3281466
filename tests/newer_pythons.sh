#!/usr/bin/env bash
# Unpacks CPython 3.14 and 3.15, with CPython's own tests, into a folder, for testing the probe:
#
#     tests/newer_pythons.sh FOLDER && PATH=$PATH:FOLDER/usr/bin
#
# The packages are those of Debian's development suite, from the mirror that apt is set up to use
# and with the signatures that apt checks. With them come the C library and the other libraries
# that they need; nothing is installed, and root is not needed. Takes ten seconds and 210 MB.
# Where one of the two cannot be had, or neither, a line says so. Exit status 1: neither is there.
set -euo pipefail

VERSIONS=(3.14 3.15)
LIBRARIES=(libc6 libgcc-s1 libstdc++6 libexpat1 zlib1g libssl3t64 libffi8 libsqlite3-0 libbz2-1.0
  liblzma5 libreadline8t64 libncursesw6 libtinfo6 libuuid1 libzstd1)
KEYS=/usr/share/keyrings/debian-archive-keyring.gpg

give_up() {
  echo "no newer Pythons: $1"
  exit 1
}

mkdir -p "${1:?the folder to unpack into}/apt/lists/partial" "$1/apt/cache/archives/partial" "$1/packages"
folder=$(cd "$1" && pwd)
command -v apt-get >/dev/null || give_up "this machine has no apt"
mirror=$(apt-get indextargets --no-release-info --format '$(REPO_URI)' 2>/dev/null |
  grep -E '/debian/?$' | sort -u | head -1) || give_up "apt is set up with no mirror of Debian"

# An apt of its own, which knows the development suite and leaves the machine's alone.
echo "deb [signed-by=$KEYS] $mirror sid main" >"$folder/apt/sources.list"
apt=(apt-get -q -o "Dir::Etc::SourceList=$folder/apt/sources.list" -o Dir::Etc::SourceParts=/dev/null
  -o "Dir::State::Lists=$folder/apt/lists" -o "Dir::Cache=$folder/apt/cache"
  -o APT::Sandbox::User=root -o Acquire::Retries=2 -o Acquire::http::Timeout=30)
"${apt[@]}" -o APT::Update::Error-Mode=any update >"$folder/apt/log" 2>&1 ||
  give_up "$(grep -E '^[EW]:' "$folder/apt/log" | head -1)"

cd "$folder/packages"
"${apt[@]}" download patchelf "${LIBRARIES[@]}" >"$folder/apt/log" 2>&1 ||
  give_up "$(grep -E '^E:' "$folder/apt/log" | head -1)"
for version in "${VERSIONS[@]}"; do
  "${apt[@]}" download "python$version" "python$version-minimal" "libpython$version-minimal" \
    "libpython$version-stdlib" "libpython$version-testsuite" >"$folder/apt/log" 2>&1 || true
done
for package in *.deb; do dpkg-deb -x "$package" "$folder"; done

# The interpreters are told to use the libraries beside them, of which the system's may be older.
loader=$(find "$folder" -name 'ld-linux-*.so.*' | head -1)
libraries=$(dirname "$(find "$folder" -name libc.so.6 | head -1)")
patch=("$loader" --library-path "$libraries" "$folder/usr/bin/patchelf")
ready=1
for version in "${VERSIONS[@]}"; do
  python=$folder/usr/bin/python$version
  # In this order: with the loader's path set first, patchelf 0.18 breaks the file.
  if [ -x "$python" ] && "${patch[@]}" --force-rpath --set-rpath "$libraries" "$python" &&
    "${patch[@]}" --set-interpreter "$loader" "$python" &&
    "$python" -c 'import sys, ctypes, ssl, test; print("unpacked: Python", sys.version.split()[0])'
  then
    ready=0
  else
    echo "no Python $version: Debian's development suite has none, or it does not run here"
    rm -f "$python"
  fi
done
exit $ready
