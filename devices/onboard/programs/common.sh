# Shared by recorder.sh and workload.sh: clocks, numbers, lines and processes.
#
# Written for what mksh, toybox and the simulated handset's shell have in common:
# POSIX, no descriptor above 2, no pipe, arithmetic within signed 32 bits. Lines go out
# with echo, so their text is kept free of backslashes. Names that begin with an
# underscore belong to these programs; a scenario's own steps leave them alone.

_nl='
'
_cr=$(printf '\r')
_ifs=$IFS
_pid=$$

# now reads the clocks: _up is the uptime since boot as the kernel writes it (s, sleep
# included), _us its whole seconds, _uc its hundredths; _wall is the wall clock (s since
# 1970, with a fraction where the shell has one). None of them is ever multiplied:
# milliseconds since boot pass 32 bits after 24.8 days, those since 1970 long ago.
now() {
	read -r _up _idle </proc/uptime
	_us=${_up%%.*}
	_uc=${_up#*.}
	case $_uc in
	"$_up") _uc=00 ;;
	?) _uc=${_uc}0 ;;
	???*) _uc=${_uc%"${_uc#??}"} ;;
	esac
	_up=$_us.$_uc
	_wall=${EPOCHREALTIME:-}
	[ -n "$_wall" ] || _wall=$(date +%s)
}

# whole TEXT leaves TEXT in _v when it is a whole number of at most nine digits, else "-":
# no reading of a handset has more, and nine digits stay within 32 bits.
whole() {
	case ${1#-} in
	'' | *[!0-9]* | ??????????* | 0?*) _v=- ;;
	*) _v=$1 ;;
	esac
}

# wallsum WEIGHT leaves in _w what the wall clock adds to a check number. Its ten digits of
# seconds are taken in two parts of five, since they pass 32 bits in 2038. The leading 1
# keeps a part such as 08 from being read as octal, and is taken off again.
wallsum() {
	_ws=${_wall%%.*}
	case $_wall in
	*.*) _wf=1${_wall#*.} ;;
	*) _wf=1 ;;
	esac
	case $_ws in
	?????????*) _w=$(((${_ws%?????} % 9973 * 270 + 1${_ws#"${_ws%?????}"} - 100000) % 9973)) ;;
	*) _w=$((_ws % 9973)) ;;
	esac
	_w=$((_w * $1 + _wf % 9973 * ($1 + 2)))
}

# put FILE LINE SUM appends LINE with its check number and its end mark to FILE. After a
# write that failed (storage full) the next one starts a line of its own.
_failed=
put() {
	_c=$((($3 % 9973 + 9973) % 9973))
	if [ -n "$_failed" ]; then
		echo "$_nl$2 $_c ." >>"$1" && _failed=
	else
		echo "$2 $_c ." >>"$1" || _failed=1
	fi
} 2>/dev/null

# plain TEXT leaves TEXT in _v as one line of printable ASCII without backslashes, at
# most 200 characters, no blank at either end and no two in a row.
plain() {
	set -f
	IFS=" 	$_nl$_cr"
	# Splitting and joining again is what takes the blanks out.
	set -- $1
	IFS=$_ifs
	_v=
	for _t in "$@"; do
		case $_t in
		*[!\!-~]* | *\\*) _t=unprintable ;;
		esac
		_v=$_v${_v:+ }$_t
		[ ${#_v} -gt 200 ] && break
	done
	set +f
	while [ ${#_v} -gt 200 ]; do
		case $_v in
		*' '*) _v=${_v% *} ;;
		*) _v=overlong ;;
		esac
	done
}

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

# running FILE PROGRAM reports whether the process whose id FILE holds is still PROGRAM
# of this segment, and leaves the id in _p. A number alone proves nothing: it may have
# been given to another process since.
running() {
	_p=
	read -r _p <"$1"
	case $_p in
	'' | *[!0-9]*) return 1 ;;
	esac
	_t=
	read -r _t </proc/"$_p"/cmdline
	case $_t in
	*"$_dir/$2"*) return 0 ;;
	esac
	return 1
} 2>/dev/null

# held succeeds while the handset is this segment's: its number is there, was not given
# back, and no higher one stands beside it. It is asked at every turn, so it forks nothing.
# What is no number within range holds nothing; the host's own look says the same.
held() {
	_own=$_holder _root=${_dir%/*}/holders
	for _h in "$_root"/*; do
		_h=${_h##*/}
		case $_h in
		"$_holder") _own=0 ;;
		'' | *[!0-9]* | 0* | [2-9]????????? | ???????????*) ;;
		*) [ "$_h" -gt "$_holder" ] && return 1 ;;
		esac
	done
	[ "$_own" = 0 ] && [ ! -e "$_root/$_holder/free" ]
}

# nap SECONDS sleeps, and returns early when a TERM comes.
_napping=
nap() {
	sleep "$1" &
	_napping=$!
	wait "$_napping"
	_napping=
}
