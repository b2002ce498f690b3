# The onboard workload loop: Start once, Loop again and again, Stop at the end.
#
#   sh workload.sh FOLDER run      the loop, until a TERM
#   sh workload.sh FOLDER end      end a running loop and see to it that Stop has run
#   sh workload.sh FOLDER revive   end it as above and start it again
#
# The functions program_start, program_loop and program_stop are the compiled scenario
# and stand above. They may use: ev, rest, restfilm, begun, front, playing, drawn, incall, charging,
# thermal, newfiles, dropfiles, captured, open_url, dial, hangup, answer, taptext, and n, the number
# of the pass, from 1.

_dir=$1
trap '' HUP

# rest SECONDS sleeps, and ends early when the segment ends. A long one is taken in parts:
# a workload that is not wanted any more ends within a minute, with or without a recorder.
_tearing=
rest() {
	[ -n "$_tearing" ] || held || stopped
	_whole=${1%%.*}
	case $_whole in
	'' | *[!0-9]* | 0* | ??????????*) _whole=0 ;;
	esac
	_part=0
	while [ $((_whole - _part)) -gt 60 ]; do
		nap 60
		_part=$((_part + 60))
		[ -n "$_tearing" ] || held || stopped
	done
	if [ "$_part" = 0 ]; then
		nap "$1"
	else
		nap "$((_whole - _part))${1#"$_whole"}"
	fi
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

# What is looked for and not there is written as well, with the value 0: the look is what
# speaks for the time since the one before. A first look that had nothing to compare with
# writes nothing.

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
	if [ "$_found" != ours ]; then
		ev foreground 0 "$_of"
		return 1
	fi
	ev foreground 1 "$_of"
}

# playing [PACKAGE [LENGTH]] succeeds when a session (of PACKAGE) plays, and writes its
# position (ms) as evidence. That a session says so is not enough: one that has ended or
# hangs may say it for ever. Either its position, or the instant at which that was taken,
# has moved since the last call; or, for a player that tells its position at changes of
# state only, a second sign stands in: an audio track of the player's that is started.
# Where the player has no track at all, the position carried on from that instant must
# still be within LENGTH, the clip's in s. The first call has nothing to compare with.
_played=
_film_at= # uptime, s, at which the film stood at _film, s; nothing where that is not known
_fresh=   # it was begun since the last look
_vain=    # it was begun and did not play at the look after
playing() {
	[ -n "$_fresh" ] || _film_at=
	_of=${1-} _clip=${2:-0} _pkg= _active= _state= _uid= _owner=
	_line() {
		_t=${_l#"${_l%%[! ]*}"}
		case $_t in
		*ownerUid=*)
			_uid=${_t##*ownerUid=}
			_uid=${_uid%%[!0-9]*}
			;;
		package=*) _pkg=${_t#package=} _active= ;;
		active=*) _active=${_t#active=} ;;
		state=PlaybackState*)
			[ "$_active" = false ] && return 0
			[ -n "$_of" ] && [ "$_pkg" != "$_of" ] && return 0
			case $_t in
			*' speed=0.0,'* | *' speed=-'*) return 0 ;;
			*'{state=3,'* | *'{state=PLAYING(3),'*)
				_state=$_t _owner=$_uid
				return 1
				;;
			esac
			;;
		esac
		return 0
	}
	lines dumpsys media_session
	if [ -z "$_state" ] && [ -n "$_fresh" ]; then
		_fresh= _vain=1 # it may not play yet
		return 1
	fi
	if [ -z "$_state" ]; then
		_played=
		ev playback 0 "$_of"
		return 1
	fi
	_pos=${_state#*[\{ ]position=}
	_pos=${_pos%%[!0-9]*}
	_upd=${_state#* updated=}
	_upd=${_upd%%[!0-9]*}
	_t=$_pkg:$_pos:$_upd
	if [ -z "$_played" ] || [ -n "$_fresh" ]; then
		_played=$_t _fresh=
		return 1
	fi
	if [ "$_t" = "$_played" ] && ! carriedon; then
		ev playback 0 "$_pkg"
		return 1
	fi
	_played=$_t _vain=
	ev playback "$_pos" "$_pkg"
	whole "$_pos"
	[ "$_v" = - ] || _film=$((_v / 1000)) _film_at=$_us
	return 0
}

# begun says that a film was begun from its start just now. What it shows next has nothing
# to be compared with but that.
begun() {
	now
	_film=0 _film_at=$_us _fresh=1 _played=begun
	[ -n "$_vain" ] && _fresh=
	return 0
}

# restfilm SECONDS LENGTH rests, but not beyond the end of a film of LENGTH seconds that was
# seen to play: one that is not repeated by its player is to be begun anew at once.
restfilm() {
	_c=$1
	if [ -n "$_film_at" ]; then
		now
		_t=$(($2 - _film - _us + _film_at + 1))
		[ "$_t" -lt 2 ] && _t=2
		# SECONDS may have a fraction.
		[ "$_t" -lt "${1%%.*}" ] && _c=$_t
	fi
	nap "$_c"
}

# carriedon succeeds when a session whose position was told long ago plays all the same,
# and carries _pos on to now. Milliseconds since boot pass 32 bits: whole seconds only.
carriedon() {
	track "$_owner"
	[ "$_track" = other ] && return 1
	case $_pos:$_upd in
	:* | *: | *:?????????????*) return 1 ;;
	*:????*) _c=${_upd%???} ;;
	*) _c=0 ;;
	esac
	whole "$_pos"
	[ "$_v" = - ] && return 1
	now
	_c=$((_v / 1000 + _us - _c))
	[ "$_c" -gt 0 ] && [ "$_c" -le 999999 ] || return 1
	if [ -z "$_track" ]; then
		whole "$_clip"
		[ "$_v" = - ] && _v=0
		[ "$_c" -le "$_v" ] || return 1
	fi
	_pos=$((_c * 1000))
}

# track UID leaves in _track what the audio service says of UID's tracks: started, other
# when it has some and none is started, or nothing when it has none.
track() {
	_track=
	[ -n "$1" ] || return 0
	_line() {
		case $_l in
		*'AudioPlaybackConfiguration '*" u/pid:$_owner/"*' state:started'*)
			_track=started
			return 1
			;;
		*'AudioPlaybackConfiguration '*" u/pid:$_owner/"*) _track=other ;;
		esac
		return 0
	}
	lines dumpsys audio
}

# drawn PACKAGE succeeds when PACKAGE has drawn frames since the last call, and writes how
# many it has drawn in all: first by the frame statistics of its windows, and, since those
# do not count what a game draws on a surface of its own, by the instant at which its
# surface was last put on the screen. The first call has nothing to compare with.
_frames=
_shown=
drawn() {
	_of=$1 _n= _before=$_frames$_shown
	newframes
	case $?$_before in
	0*) return 0 ;;
	1?*) ev drawn 0 "$_of" ;;
	esac
	return 1
}

# newframes succeeds when _of has drawn since the last call, returns 2 when it has begun to
# draw on a surface of its own, which has nothing to be compared with yet, and 1 otherwise.
newframes() {
	_line() {
		case $_l in
		*'Total frames rendered: '*)
			_n=${_l##*: }
			_n=${_n%%[!0-9]*}
			return 1
			;;
		esac
		return 0
	}
	lines dumpsys gfxinfo "$_of"
	whole "$_n"
	_n=$_v
	if [ "$_n" != - ]; then
		_t=$_frames
		_frames=$_n
		if [ -n "$_t" ] && [ "$_n" -gt "$_t" ]; then
			ev drawn "$_n" "$_of"
			return 0
		fi
	fi
	_layer=
	_line() {
		case $_l in
		*SurfaceView*"$_of/"*) _layer=${_l#"${_l%%[! ]*}"} ;;
		esac
		return 0
	}
	lines dumpsys SurfaceFlinger --list
	[ -n "$_layer" ] || return 1
	# Rows of three instants in ns: wanted, on the screen, ready. The largest number of
	# 64 bits stands for one that is not on the screen yet, 0 for an empty row.
	_at=
	_line() {
		_t=${_l#*"	"}
		case $_t in
		"$_l" | 0"	"* | 9223372036854775807*) ;;
		*) _at=${_t%%"	"*} ;;
		esac
		return 0
	}
	lines dumpsys SurfaceFlinger --latency "$_layer"
	[ -n "$_at" ] || return 1
	_t=$_shown
	_shown=$_at
	[ -n "$_t" ] || return 2
	[ "$_at" != "$_t" ] || return 1
	ev drawn 1 "$_of"
}

# callstate leaves in _call what the telephony service says, over all SIMs: idle, ringing,
# dialling (the line is taken and nobody has answered), up, or nothing when it does not say.
# The state of the call in front (1: active) is not told by every version; where it is
# not, a line that is taken counts as up.
callstate() {
	_call= _fg=
	_line() {
		_t=${_l#"${_l%%[! ]*}"}
		case $_t in
		mCallState=2*) _call=up ;;
		mCallState=1*) [ "$_call" = up ] || _call=ringing ;;
		mCallState=0*) _call=${_call:-idle} ;;
		mForegroundCallState=1*) _fg=active ;;
		mForegroundCallState=*) _fg=${_fg:-other} ;;
		esac
		return 0
	}
	lines dumpsys telephony.registry
	[ "$_call" = up ] && [ "$_fg" = other ] && _call=dialling
	return 0
}

# incall succeeds when a call is up, and writes evidence of it.
incall() {
	callstate
	if [ "$_call" != up ]; then
		ev incall 0
		return 1
	fi
	ev incall 1
}

# dial NUMBER calls NUMBER unless a call stands or rings already. The host has made sure
# that the number is none that could reach an emergency service; here is only made sure
# that nothing but such a number gets this far.
dial() {
	case $1 in
	+[1-9]???????*) ;;
	*)
		ev failed 1 'a number that is not in international form is not dialled'
		return 1
		;;
	esac
	case ${1#+} in
	*[!0-9]* | ????????????????*)
		ev failed 1 'a number that is not digits only is not dialled'
		return 1
		;;
	esac
	callstate
	[ "$_call" = idle ] || return 0
	_t=$(am start -a android.intent.action.CALL -d "tel:$1" 2>&1)
	case $_nl$_t in
	*"${_nl}Error"* | *Exception*)
		ev failed 1 "am start: $_t"
		return 1
		;;
	esac
	ev dialled 1
}

# hangup ends the call that stands or rings; without one, the key would switch the screen off.
hangup() {
	callstate
	case $_call in
	'' | idle) return 0 ;;
	esac
	input keyevent 6
}

# answer takes a call that rings, writes evidence of one that is up, and fails otherwise.
answer() {
	callstate
	case $_call in
	ringing)
		input keyevent 5
		ev answered 1
		;;
	up) ev incall 1 ;;
	*) return 1 ;;
	esac
}

# charging writes evidence that a power source shows.
charging() {
	_powered=
	_line() {
		case $_l in
		*' powered: true'*)
			_powered=1
			return 1
			;;
		esac
		return 0
	}
	lines dumpsys battery
	if [ -z "$_powered" ]; then
		ev charging 0
		return 1
	fi
	ev charging 1
}

# thermal writes the system's own word for how hot the handset is (0 none to 6 shutdown),
# with its hottest skin sensor where it tells. A system without the service writes nothing.
thermal() {
	_hot= _skin=
	_line() {
		_t=${_l#"${_l%%[! 	]*}"}
		case $_t in
		'Thermal Status: '[0-6]) [ -n "$_hot" ] || _hot=${_t#*: } ;;
		'Temperature{mValue='*' mType=3,'*)
			_t=${_t#*mValue=}
			_t=${_t%%,*}
			warmer "$_t" "$_skin" && _skin=$_t
			;;
		'Current temperatures from HAL:'*) _skin= ;; # fresher than the cached ones above
		esac
		return 0
	}
	lines dumpsys thermalservice
	[ -n "$_hot" ] || return 1
	ev thermal "$_hot" "${_skin:+skin_c=$_skin}"
}

# warmer A B succeeds when A is a temperature, and a higher one than B or B is none. Two
# digits behind the point are enough.
warmer() {
	_a=${1%%.*} _b=${2%%.*}
	whole "$_a"
	[ "$_v" = - ] && return 1
	whole "$_b"
	[ "$_v" = - ] && return 0
	[ "$_a" -ne "$_b" ] && {
		[ "$_a" -gt "$_b" ]
		return
	}
	_a=${1#*.}00 _b=${2#*.}00
	_a=1${_a%"${_a#??}"} _b=1${_b%"${_b#??}"}
	case $_a$_b in *[!0-9]*) return 1 ;; esac
	[ "$_a" -gt "$_b" ]
}

# place TEXT... leaves in _x and _y the middle of the first element on the screen whose
# text, or else whose description, is one of TEXT, in order of preference; TEXT is as the
# dump has it, with its entities. One of no size is not on the screen.
place() {
	_ui=
	# A screen that moves cannot be dumped; what stood in the file before is no answer.
	rm -f "$_dir/ui.xml"
	uiautomator dump "$_dir/ui.xml" >/dev/null 2>&1
	[ -s "$_dir/ui.xml" ] && _ui=$(cat "$_dir/ui.xml")
	[ -n "$_ui" ] || return 1
	for _want in "$@"; do
		for _a in text content-desc; do
			_c=$_ui
			while :; do
				case $_c in
				*" $_a=\"$_want\" "*'bounds="['*) ;;
				*) break ;;
				esac
				_c=${_c#*" $_a=\"$_want\" "}
				_t=${_c#*'bounds="['}
				_t=${_t%%'"'*}
				# left,top][right,bottom]
				_x=${_t%%,*}
				_y=${_t#*,}
				_y=${_y%%]*}
				_x2=${_t#*\[}
				_y2=${_x2#*,}
				_x2=${_x2%%,*}
				_y2=${_y2%%]*}
				for _v in "$_x" "$_y" "$_x2" "$_y2"; do
					whole "$_v"
					[ "$_v" = - ] && break
				done
				[ "$_v" = - ] && continue
				if [ "$_x2" -gt "$_x" ] && [ "$_y2" -gt "$_y" ]; then
					_x=$(((_x + _x2) / 2))
					_y=$(((_y + _y2) / 2))
					return 0
				fi
			done
		done
	done
	return 1
}

# taptext TRIES TEXT... taps the middle of the element that place finds, looking for it
# TRIES times with a second between; nothing is tapped when it is not there.
taptext() {
	_left=$1
	shift
	while :; do
		if place "$@"; then
			input tap "$_x" "$_y"
			return 0
		fi
		_left=$((_left - 1))
		[ "$_left" -gt 0 ] || return 1
		rest 1
	done
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

# photos and videos count the files of their kind in FOLDER that are newer than the
# segment's start, and write their number so far when there are more. A file that is still
# being written counts once it has a size.
_photos=0
_videos=0
photos() {
	_n=0
	for _f in "$1"/*.jpg "$1"/*.jpeg "$1"/*.heic "$1"/*.heif "$1"/*.dng "$1"/*.JPG; do
		[ -s "$_f" ] && [ "$_f" -nt "$_dir/began" ] && _n=$((_n + 1))
	done
	[ "$_n" -gt "$_photos" ] || return 1
	_photos=$_n
	ev photos "$_n" "$1"
}

videos() {
	_n=0
	for _f in "$1"/*.mp4 "$1"/*.3gp "$1"/*.mov "$1"/*.MP4; do
		[ -s "$_f" ] && [ "$_f" -nt "$_dir/began" ] && _n=$((_n + 1))
	done
	[ "$_n" -gt "$_videos" ] || return 1
	_videos=$_n
	ev videos "$_n" "$1"
}

# captured KIND FOLDER sees to it that the capture just made left a new file of its kind
# (photos, videos), waiting up to five seconds for one that is still being stored, and
# says so when there is none.
captured() {
	_wait=5
	while ! "$1" "$2"; do
		_wait=$((_wait - 1))
		if [ "$_wait" -le 0 ]; then
			ev missed 1 "$1"
			return 1
		fi
		rest 1
	done
}

# dropfiles FOLDER removes the files that newfiles counts, and nothing else.
dropfiles() {
	for _f in "$1"/* "$1"/*/*; do
		if [ -f "$_f" ] && [ "$_f" -nt "$_dir/began" ]; then
			rm -f "$_f" && _dropped=$((_dropped + 1))
		fi
	done
}

# open_url URL [PACKAGE] shows URL, in PACKAGE when given. That a page of the stage is asked
# for is written before: whether it came, the stage says. am says that it failed in its
# text, and on older versions in nothing else.
open_url() {
	case $1 in
	"$_stage"*) [ -n "$_stage" ] && ev opened 1 "${1#"$_stage"}" ;;
	esac
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
	_tearing=1
	program_stop
	ev ended 1
}

# stopped ends the running loop; it is what a TERM comes to, wherever the loop is, and
# what a handset that has another holder comes to.
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
	held || exit 5
	echo running >"$_dir/workload.state"
	echo "$_pid" >"$_dir/workload.pid"
	trap stopped TERM
	ev started 1
	program_start
	n=0
	while :; do
		held || stopped
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
	# It comes on by itself, and goes with the next power: who looks later does not see it.
	[ "$(settings get global low_power 2>/dev/null)" = 1 ] && ev saver 1
	;;
revive)
	[ -e "$_dir/open" ] || exit 3 # the segment is ending, or over
	held || exit 5
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
