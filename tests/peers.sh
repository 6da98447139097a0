#!/bin/sh
# Installs what the tests need beside Python packages: a protocol analyser for the captures.
# Does nothing where it is there already, or where this machine does not install packages with apt.
set -e
command -v tshark >/dev/null 2>&1 && exit 0
command -v apt-get >/dev/null 2>&1 || { echo "tshark is missing and there is no apt-get: its tests will fail"; exit 0; }
as_root=""
[ "$(id -u)" = 0 ] || as_root="sudo"
$as_root apt-get update -q
DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -q tshark
