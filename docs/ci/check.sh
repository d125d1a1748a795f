#!/bin/sh
# For continuous integration: check packages and keep the results where the runner collects them.
#
#   docs/ci/check.sh RESULTS PACKAGE...
#
# RESULTS then holds NAME.sarif, NAME.xml (test cases) and NAME.json for each package; annotation
# lines go to standard output. Ends with 1 when a package has errors, with 2 when it cannot be read.
set -u

results=$1
shift
mkdir -p "$results"
worst=0
for package in "$@"; do
    name=$(basename "$package" .zip)
    fabkit check "$package" --format annotations
    status=$?
    [ "$status" -le "$worst" ] || worst=$status
    [ "$status" -le 1 ] || continue
    fabkit check "$package" --format sarif --fail-on never > "$results/$name.sarif"
    fabkit check "$package" --format junit --fail-on error > "$results/$name.xml"
    fabkit check "$package" --json --fail-on never > "$results/$name.json"
done
exit "$worst"
