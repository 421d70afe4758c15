#!/bin/sh
# Installs gaugepost from this bundle, without a network: sh install.sh FOLDER
# Every file is held against its hash first. The folder is a Python environment of its own; removing it removes all.
set -eu
cd "$(dirname "$0")"
if [ $# -ne 1 ]; then
    echo "usage: sh install.sh FOLDER      for example: sh install.sh /srv/gaugepost" >&2
    exit 2
fi
sha256sum --check --quiet SHA256SUMS
python=$(ls wheels/pydantic_core-*.whl | sed 's/.*-cp3\([0-9]*\)-.*/python3.\1/')
if ! command -v "$python" >/dev/null; then
    echo "this bundle is for $python, which is not on this computer: install it, or build a bundle there" >&2
    exit 2
fi
case $1 in /*) target=$1 ;; *) target=$OLDPWD/$1 ;; esac
"$python" -m venv "$target"
"$target/bin/python" -m pip --disable-pip-version-check install --quiet --no-index --find-links wheels 'gaugepost[postgres]'
"$target/bin/gaugepost" --version
echo "look around: $target/bin/gaugepost demo"
