#!/bin/sh
# Installs what the tests need beside the Python packages of `[test]`, where it is not there already:
# a peer that shares its import name with another one, in an environment of its own (.venv-peers), and a
# protocol analyser for the captures, on machines that install packages with apt.
set -e
cd "$(dirname "$0")/.."

peer="cm-ethernetip==0.1.0"
peers=.venv-peers
has_peer() { "$peers/bin/python" -m pip freeze 2>/dev/null | grep -qx "$peer"; }
if ! has_peer; then
    python=.venv/bin/python
    [ -x "$python" ] || python=python3
    "$python" -m venv --clear "$peers"
    "$peers/bin/python" -m pip install -q --disable-pip-version-check "$peer"
fi

command -v tshark >/dev/null 2>&1 && exit 0
command -v apt-get >/dev/null 2>&1 || { echo "tshark is missing and there is no apt-get: its tests will fail"; exit 0; }
as_root=""
[ "$(id -u)" = 0 ] || as_root="sudo"
$as_root apt-get update -q
DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -q tshark
