# Sourced by short and full: named, timed stages. The first failing stage ends the script, and the last line says which.
set -euo pipefail
shopt -s inherit_errexit
cd "$(dirname "${BASH_SOURCE[0]}")/.."

form=$(basename "$0")
current="start"
scratch=$(mktemp -d)

# done_or_failed removes the scratch folder and names the stage that ended a failing script.
done_or_failed() {
	local code=$?
	rm -rf "$scratch"
	if ((code)); then
		echo "$form: FAILED in stage: $current"
	fi
}
trap done_or_failed EXIT

# stage NAME COMMAND... runs the command under a heading and prints how long it took.
stage() {
	current=$1
	shift
	local began=$SECONDS
	echo "== $form: $current"
	"$@"
	echo "== $form: $current: $((SECONDS - began)) s"
}

# finish prints the one line that means success.
finish() {
	echo "$form: PASSED, all stages, $SECONDS s"
}

# The tools' module stays apart from ours; go keeps the built programs in its own cache.
buf() { go tool -modfile=.tools/go.mod buf "$@"; }
staticcheck() { go tool -modfile=.tools/go.mod staticcheck "$@"; }
