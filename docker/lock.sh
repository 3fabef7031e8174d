#!/bin/sh
# Writes the two lists of packages that the image is built from, each with its hashes: after
# a change of the dependencies, or to take newer releases. Needs uv (pip install uv).
set -eu
cd "$(dirname "$0")/.."

lock() { # NAME UV_ARGUMENTS…: what is listed on standard input, or the project's
    name=$1
    shift
    uv pip compile --quiet --upgrade --generate-hashes --universal --python-version 3.11 \
        --no-emit-find-links --custom-compile-command docker/lock.sh \
        --output-file "docker/$name.lock" "$@"
}

lock requirements --extra fast --extra metrics --extra page --extra sparkplug --extra tls \
    pyproject.toml
echo hatchling | lock build -
