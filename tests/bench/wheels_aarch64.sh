#!/bin/sh
# Does everything the Pi installs come as a wheel for aarch64?  Downloads for Python 3.11, 3.12 and 3.13 and prints the sizes.
#   sh tests/bench/wheels_aarch64.sh [PYTHON]
set -eu
here=$(cd "$(dirname "$0")/../.." && pwd)
python=${1:-python3}
names=$("$python" -c '
import sys, tomllib
with open(sys.argv[1], "rb") as file:
    project = tomllib.load(file)["project"]
extras = project["optional-dependencies"]
print("\n".join([*project["dependencies"], *extras["web"], *extras["gpio"]]))
' "$here/pyproject.toml")
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
echo "$names" > "$folder/names"
for version in 3.11 3.12 3.13; do
    "$python" -m pip download -q --disable-pip-version-check --dest "$folder/$version" --only-binary=:all: \
        --platform manylinux2014_aarch64 --platform manylinux_2_28_aarch64 --platform manylinux_2_27_aarch64 \
        --implementation cp --python-version "$version" -r "$folder/names"
    echo "Python $version: $(find "$folder/$version" -name '*.whl' | wc -l) wheels, $(du -sm "$folder/$version" | cut -f1) MB"
done
