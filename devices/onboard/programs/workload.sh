# The onboard workload loop: Start once, Loop again and again, Stop at the end.
#
#   sh workload.sh FOLDER run      the loop, until a TERM
#   sh workload.sh FOLDER end      end a running loop and see to it that Stop has run
#   sh workload.sh FOLDER revive   end it as above and start it again
#
# The functions program_start, program_loop and program_stop are the compiled scenario
# and stand above. They may use: ev, rest, front, playing, newfiles, dropfiles, open_url,
# and n, the number of the pass, from 1.

_dir=$1
trap '' HUP

# ev KIND VALUE [DETAIL] writes a line of evidence. VALUE is a whole number of at most
# nine digits; KIND is one word.
ev() {
	whole "$2"
	_n=$_v
	[ "$_n" = - ] && _n=0
	plain "$1"
	_kind=${_v%% *}
	_kind=${_kind:-unnamed}
	plain "${3-}"
	now
	wallsum 7
	put "$_dir/activity.txt" "a $_up $_wall $_kind $_n${_v:+ }$_v" \
		$((_us % 9973 * 3 + 1$_uc * 5 + _w + ${#_kind} * 11 + _n % 9973 * 13 + ${#_v} * 15))
}

# rest SECONDS sleeps, and ends early when the segment ends.
rest() {
	nap "$1"
}

# lines COMMAND... runs COMMAND and calls _line for each line of its output until that
# returns other than 0.
lines() {
	set -f
	IFS=$_nl
	for _l in $("$@" 2>/dev/null); do
		_l=${_l%"$_cr"}
		_line || break
	done
	IFS=$_ifs
	set +f
}

# front PACKAGE succeeds when PACKAGE is on top, on any display, and writes evidence of it.
front() {
	_of=$1 _top= _resumed= _focus=
	_line() {
		case $_l in
		*topResumedActivity=*)
			_top=${_top:-other}
			case $_l in *" $_of/"*) _top=ours ;; esac
			;;
		*ResumedActivity:' '*)
			_resumed=${_resumed:-other}
			case $_l in *" $_of/"*) _resumed=ours ;; esac
			;;
		esac
	}
	lines dumpsys activity activities
	_found=${_top:-$_resumed}
	if [ -z "$_found" ]; then
		# A dump that names no activity: the window manager's word instead.
		_line() {
			case $_l in
			*mCurrentFocus=null*) ;;
			*mCurrentFocus=*)
				_top=${_top:-other}
				case $_l in *" $_of/"*) _top=ours ;; esac
				;;
			*mFocusedApp=*)
				_focus=${_focus:-other}
				case $_l in *" $_of/"*) _focus=ours ;; esac
				;;
			esac
		}
		lines dumpsys window
		_found=${_top:-$_focus}
	fi
	[ "$_found" = ours ] || return 1
	ev foreground 1 "$_of"
}

# playing [PACKAGE] succeeds when a session (of PACKAGE) plays and its position, or the
# instant at which that was taken, has moved since the last call; it writes the position
# (ms) as evidence. The first call has nothing to compare with.
_played=
playing() {
	_of=${1-} _pkg= _active= _state=
	_line() {
		_t=${_l#"${_l%%[! ]*}"}
		case $_t in
		package=*) _pkg=${_t#package=} _active= ;;
		active=*) _active=${_t#active=} ;;
		state=PlaybackState*)
			[ "$_active" = false ] && return 0
			[ -n "$_of" ] && [ "$_pkg" != "$_of" ] && return 0
			case $_t in
			*'{state=3,'* | *'{state=PLAYING(3),'*)
				_state=$_t
				return 1
				;;
			esac
			;;
		esac
		return 0
	}
	lines dumpsys media_session
	if [ -z "$_state" ]; then
		_played=
		return 1
	fi
	_pos=${_state#*[\{ ]position=}
	_pos=${_pos%%[!0-9]*}
	_upd=${_state#* updated=}
	_upd=${_upd%%[!0-9]*}
	_t=$_pkg:$_pos:$_upd
	if [ -z "$_played" ] || [ "$_t" = "$_played" ]; then
		_played=$_t
		return 1
	fi
	_played=$_t
	ev playback "$_pos" "$_pkg"
}

# newfiles FOLDER counts the files in FOLDER and its folders that are newer than the
# segment's start, and succeeds, writing their number so far, when there are more.
_files=0
_dropped=0
newfiles() {
	_n=$_dropped
	for _f in "$1"/* "$1"/*/*; do
		[ -f "$_f" ] && [ "$_f" -nt "$_dir/began" ] && _n=$((_n + 1))
	done
	[ "$_n" -gt "$_files" ] || return 1
	_files=$_n
	ev files "$_n" "$1"
}

# dropfiles FOLDER removes the files that newfiles counts, and nothing else.
dropfiles() {
	for _f in "$1"/* "$1"/*/*; do
		if [ -f "$_f" ] && [ "$_f" -nt "$_dir/began" ]; then
			rm -f "$_f" && _dropped=$((_dropped + 1))
		fi
	done
}

# open_url URL [PACKAGE] shows URL, in PACKAGE when given. am says that it failed in its
# text, and on older versions in nothing else.
open_url() {
	_t=$(am start -a android.intent.action.VIEW -d "$1" ${2:+"$2"} 2>&1)
	case $_nl$_t in
	*"${_nl}Error"* | *Exception*)
		ev failed 1 "am start: $_t"
		return 1
		;;
	esac
}

teardown() {
	echo ended >"$_dir/workload.state"
	program_stop
	ev ended 1
}

# stopped ends the running loop; it is what a TERM comes to, wherever the loop is.
stopped() {
	trap '' TERM
	[ -n "$_napping" ] && kill "$_napping" 2>/dev/null
	teardown
	exit 0
}

# endrunning ends a loop that runs, and runs Stop itself where that did not come to it.
endrunning() {
	_i=0
	# A loop that was started this instant may not have written its id yet.
	while [ ! -s "$_dir/workload.pid" ] && [ "$_i" -lt 10 ]; do
		sleep 0.1
		_i=$((_i + 1))
	done
	if running "$_dir/workload.pid" workload.sh; then
		_old=$_p
		kill -TERM "$_old"
		_i=0
		while running "$_dir/workload.pid" workload.sh && [ "$_i" -lt 75 ]; do
			sleep 0.2
			_i=$((_i + 1))
		done
		running "$_dir/workload.pid" workload.sh && kill -KILL "$_old"
	fi 2>/dev/null
	_t=
	read -r _t 2>/dev/null <"$_dir/workload.state"
	[ "$_t" = ended ] || teardown
}

case $2 in
run)
	echo running >"$_dir/workload.state"
	echo "$_pid" >"$_dir/workload.pid"
	trap stopped TERM
	ev started 1
	program_start
	n=0
	while :; do
		n=$((n + 1))
		now
		_pass=$_us
		program_loop
		# A pass that takes no time would only heat the handset.
		now
		[ "$_us" = "$_pass" ] && rest 1
	done
	;;
end)
	endrunning
	;;
revive)
	[ -e "$_dir/open" ] || exit 3 # the segment is ending, or over
	endrunning
	: >"$_dir/workload.pid"
	ev revived 1
	setsid sh "$_dir/workload.sh" "$_dir" run </dev/null >/dev/null 2>>"$_dir/errors.txt" &
	_i=0
	while [ ! -s "$_dir/workload.pid" ] && [ "$_i" -lt 50 ]; do
		sleep 0.1
		_i=$((_i + 1))
	done
	running "$_dir/workload.pid" workload.sh
	;;
esac
