# The onboard recorder: one reading of the battery every so many seconds, appended to
# samples.txt, until the drain target, a limit or a TERM. It starts the workload and ends
# it, link or no link.
#
#   sh recorder.sh FOLDER run     record the segment
#   sh recorder.sh FOLDER close   a recorder that died is closed: mark, teardown, end.txt

_dir=$1
trap '' HUP

mark() {
	plain "$2"
	now
	put "$_dir/samples.txt" "m $_up $1${_v:+ }$_v" \
		$((_us % 9973 * 3 + 1$_uc * 5 + ${#1} * 7 + ${#_v} * 9))
}

# battery reads the battery through the dump, by the rules for it: nothing before the
# exact header, whole keys, the first of each, nothing after a log section begins.
battery() {
	_lv=- _sc=- _cc=- _vo=- _te=- _cn=- _st=- _ac=- _ub=- _wl=- _dk=-
	_head= _frozen=
	set -f
	IFS=$_nl
	for _l in $(dumpsys battery); do
		_l=${_l%"$_cr"}
		if [ -z "$_head" ]; then
			[ "$_l" = 'Current Battery Service state:' ] && _head=1
			continue
		fi
		case $_l in
		'['* | [0-9][0-9]-[0-9][0-9]' '[0-9][0-9]:[0-9][0-9]*) break ;;
		esac
		_l=${_l#"${_l%%[! ]*}"}
		case $_l in
		'(UPDATES STOPPED'*)
			_frozen=1
			break
			;;
		*:*) ;;
		*) continue ;;
		esac
		_k=${_l%%:*}
		_t=${_l#*:}
		_t=${_t#"${_t%%[! ]*}"}
		_t=${_t:-none}
		case $_k in
		level) [ "$_lv" = - ] && _lv=$_t ;;
		scale) [ "$_sc" = - ] && _sc=$_t ;;
		'Charge counter') [ "$_cc" = - ] && _cc=$_t ;;
		voltage) [ "$_vo" = - ] && _vo=$_t ;;
		temperature) [ "$_te" = - ] && _te=$_t ;;
		status) [ "$_st" = - ] && _st=$_t ;;
		'AC powered') [ "$_ac" = - ] && _ac=$_t ;;
		'USB powered') [ "$_ub" = - ] && _ub=$_t ;;
		'Wireless powered') [ "$_wl" = - ] && _wl=$_t ;;
		'Dock powered') [ "$_dk" = - ] && _dk=$_t ;;
		"$_current_key") [ "$_cn" = - ] && _cn=$_t ;;
		esac
	done
	IFS=$_ifs
	set +f
	now
	whole "$_lv" && _lv=$_v
	whole "$_cc" && _cc=$_v
	whole "$_vo" && _vo=$_v
	whole "$_te" && _te=$_v
	whole "$_st" && _st=$_v
	[ "$_st" = - ] && _st=0
	whole "$_sc"
	case $_v in
	- | 100 | 0 | -*) ;;
	*) [ "$_lv" = - ] || _lv=$((_lv * 100 / _v)) ;;
	esac
	_pl=0
	[ "$_ac" = true ] && _pl=$((_pl + 1))
	[ "$_ub" = true ] && _pl=$((_pl + 2))
	[ "$_wl" = true ] && _pl=$((_pl + 4))
	[ "$_dk" = true ] && _pl=$((_pl + 8))
	_cu=-
	if [ -n "$_current" ]; then
		_t=
		read -r _t <"$_current"
		whole "${_t%"$_cr"}"
		_cu=$_v
	elif [ -n "$_current_key" ]; then
		whole "$_cn"
		_cu=$_v
	fi
	[ -n "$_head" ] || return 1
	case $_lv in
	[0-9] | [1-9][0-9] | 100) return 0 ;;
	esac
	return 1
} 2>/dev/null

# temperature holds the limit, in the handset's own unit as the host has decided it. It
# counts in _blind the readings in a row that cannot be compared with the limit: none
# printed, one colder than a battery can be, or one so much colder than the one before that
# the handset must have changed its unit. After half an hour it may have cooled that far.
temperature() {
	if [ "$_te" = - ]; then
		_blind=$((_blind + 1))
	elif [ "$_te" -ge "$_stop_temp" ]; then
		finish 'temperature limit'
	elif [ "$_te" -lt "$_least_temp" ]; then
		_blind=$((_blind + 1))
	elif [ -n "$_warm" ] && [ "$_te" -lt $((_warm - _fall_temp)) ] && [ $((_us - _warmed)) -lt 1800 ]; then
		_blind=$((_blind + 1))
	else
		_blind=0 _warm=$_te _warmed=$_us
	fi
}

# stands ends the segment when no value of the readings has changed for so long that the gauge
# must have stopped: a temperature that stands still holds no limit. A full battery on its
# charger may be as calm as that, and a handset that waits for the power of a charge.
stands() {
	_t="$_lv $_cc $_vo $_te $_cu"
	[ "$_lv" = 100 ] || [ "$_st" = 5 ] && _same=
	[ "$_stop_off_power" = 1 ] && [ "$_pl" = 0 ] && _same=
	if [ "$_t" != "$_same" ]; then
		_same=$_t _moved=$_us
	elif [ $((_us - _moved)) -ge "$_still_s" ]; then
		finish 'readings stand still'
	fi
}

# sample writes the reading. Each field of the check number is the value times its own
# odd weight; one that is absent counts 7777.
sample() {
	_seq=$((_seq + 1))
	wallsum 9
	_t=$((_seq % 9973 * 3 + _us % 9973 * 5 + 1$_uc * 7 + _w + _lv * 13))
	_a=$_cc _b=$_vo _d=$_te _e=$_cu
	[ "$_a" = - ] && _a=7777
	[ "$_b" = - ] && _b=7777
	[ "$_d" = - ] && _d=7777
	[ "$_e" = - ] && _e=7777
	_t=$((_t + _a % 9973 * 15 + _b % 9973 * 17 + _d % 9973 * 19 + _e % 9973 * 21 + _st % 9973 * 23 + _pl * 25))
	put "$_dir/samples.txt" "s $_seq $_up $_wall $_lv $_cc $_vo $_te $_cu $_st $_pl" "$_t"
}

# pause naps until the next reading is due, and counts in _slept by how much the uptime
# went on beyond its naps: a handset that sleeps stands still in them, and its uptime does
# not. As long as it sleeps in between, the naps are short, so that it is read at the first
# chance when something has woken it; they do not keep it awake. A long pause is taken in
# parts: a recorder that is not wanted any more ends within a minute.
pause() {
	while [ -z "$_told" ] && [ "$_rel" -lt "$_due" ]; do
		_t=$((_due - _rel))
		if [ "$_dozing" -gt 0 ]; then
			[ "$_t" -gt 100 ] && _t=100
		elif [ "$_t" -gt 6000 ]; then
			_t=6000
		fi
		_c=$((_t % 100 + 100))
		_was=$((_rel + _t))
		nap "$((_t / 100)).${_c#1}"
		held || finish 'holder changed'
		now
		passed
	done
}

# passed leaves in _rel the uptime since the begin mark, 1/100 s, and takes what lies
# beyond _was, when it should have come here, for sleep.
passed() {
	_rel=$(((_us - _base) * 100 + 1$_uc - 100 - _off))
	_t=$((_rel - _was))
	if [ "$_t" -ge 300 ]; then
		_dozing=5 # so many short naps, unless it sleeps again
	elif [ "$_dozing" -gt 0 ]; then
		_dozing=$((_dozing - 1))
	fi
	[ "$_t" -ge 100 ] && _slept=$((_slept + _t))
}

# slept writes evidence of the sleep since the reading before: how much by the clocks, and
# of how long, s. Nobody can have used a handset while it was suspended. What it says last
# is whether the host looks at this moment.
slept() {
	if [ "$_slept" -ge 500 ]; then
		_t=
		read -r _t 2>/dev/null <"$_dir/contact"
		whole "${_t%%.*}"
		_t=
		[ "$_v" != - ] && [ $((_us - _v)) -le 30 ] && _t=', looked at'
		_asleep=$_us
		ev slept $((_slept / 100)) "of $(((_rel - _read) / 100)) s$_t"
	fi
	_slept=0 _read=$_rel
}

# network writes evidence when the kernel's count of how often Wi-Fi lost or found its
# network is another than at the reading before, or when it cannot be read: the count, at
# which uptime it was still the old one, and how Wi-Fi is now. It forks nothing.
network() {
	_t=
	read -r _t <"$_wifi/carrier_changes"
	whole "${_t%"$_cr"}"
	if [ "$_v" = - ]; then
		[ -z "$_carrier" ] && _carrier=- && ev carrier 0 unreadable
		return
	fi
	_j=$_carrier _since=$_carried
	_carrier=$_v _carried=$_up
	[ -z "$_j" ] || [ "$_j" = - ] || [ "$_j" = "$_carrier" ] && return
	_t=
	read -r _t <"$_wifi/operstate"
	ev carrier $((_carrier - _j)) "since $_since ${_t%"$_cr"}"
} 2>/dev/null

# dozes asks the power manager, where the clocks have shown no sleep for long, whether the
# screen is off, and writes that down: asleep 1, or 0 when somebody or something has lit it.
dozes() {
	[ "$_asleep_every_s" -gt 0 ] && [ $((_us - _asleep)) -ge "$_asleep_every_s" ] || return 0
	_asleep=$_us
	case $(dumpsys power) in
	*mWakefulness=Asleep* | *mWakefulness=Dozing*) ev asleep 1 ;;
	*mWakefulness=*) ev asleep 0 ;;
	esac
} 2>/dev/null

# endworkload lets the workload end and tear down, within bounds: a teardown that hangs
# does not keep the segment open.
endworkload() {
	sh "$_dir/workload.sh" "$_dir" end </dev/null >/dev/null 2>>"$_dir/errors.txt" &
	_e=$!
	_i=0
	while kill -0 "$_e" && [ "$_i" -lt 200 ]; do
		sleep 0.2
		_i=$((_i + 1))
	done 2>/dev/null
	kill -KILL "$_e" 2>/dev/null
}

# finish REASON ends the segment. end.txt is written last: once it is there, nothing of
# the segment runs any more. With no word from the host for five minutes the handset is
# sent home and put to sleep here; otherwise the host does that when it restores.
finish() {
	trap '' TERM
	if [ "$1" = stopped ]; then
		held || set -- 'holder changed' # it was told to end by whoever took the handset
	fi
	rm -f "$_dir/open"
	mark end "$1"
	endworkload
	# A full storage may have room again: without its end mark, a segment looks as if it
	# had been killed.
	_i=0
	while [ -n "$_failed" ] && [ "$_i" -lt 240 ]; do
		sleep 15
		_i=$((_i + 1))
		mark end "$1"
	done
	_t=
	# Empty for an instant while the host writes it.
	for _i in 1 2 3; do
		read -r _t 2>/dev/null <"$_dir/contact"
		[ -n "$_t" ] && break
		sleep 0.2
	done
	_t=${_t%%.*}
	case $_t in
	'' | *[!0-9]*) _t=0 ;;
	esac
	now
	if [ $((_us - _t)) -gt 300 ]; then
		input keyevent 3
		input keyevent 223
	fi >/dev/null 2>&1
	echo "$1" >"$_dir/end.txt"
	while [ ! -s "$_dir/end.txt" ] && [ "$_i" -lt 240 ]; do
		sleep 15
		_i=$((_i + 1))
		echo "$1" >"$_dir/end.txt"
	done 2>/dev/null
	exit 0
}

if [ "$2" = close ]; then
	running "$_dir/recorder.pid" recorder.sh && exit 3
	[ -s "$_dir/end.txt" ] && exit 0
	finish stopped
fi

running "$_dir/recorder.pid" recorder.sh && exit 3
[ -e "$_dir/samples.txt" ] && exit 4
if ! held; then
	mark end 'holder changed'
	echo ended >"$_dir/workload.state" # it has nothing to tear down
	echo 'holder changed' >"$_dir/end.txt"
	exit 5
fi
echo "$_pid" >"$_dir/recorder.pid"

_told=
trap '_told=1; [ -n "$_napping" ] && kill "$_napping" 2>/dev/null' TERM

_boot=
read -r _boot 2>/dev/null </proc/sys/kernel/random/boot_id
[ -n "$_boot" ] || _boot=boot-count-$(settings get global boot_count 2>/dev/null)
mark begin "$_boot"
_base=$_us
_off=$((1$_uc - 100))
: >"$_dir/began"
: >"$_dir/open"
sh "$_dir/workload.sh" "$_dir" run </dev/null >/dev/null 2>>"$_dir/errors.txt" &
# Written last: it tells the host that all of the above is done.
echo "$_boot" >"$_dir/boot.txt"

_seq=0       # of the last sample
_low=        # running minimum of the level: steps back up are no edges
_edge=       # level of the start edge
_armed=      # the last reading came after the warm-up
_powered=0   # readings in a row that showed a power source
_seen=       # a power source was seen
_away=0      # readings in a row that showed none
_full=0      # readings in a row that showed a full battery and a power source
_unread=0    # readings in a row that gave no level
_blind=0     # readings in a row whose temperature cannot be compared with its limit
_warm=       # the last temperature that could, and the uptime at which it was read
_warmed=0
_same=       # the values of the last reading, and since which uptime it is these
_moved=0
_every=$((_sample_every_s * 100))
_due=0       # of the next reading, 1/100 s since the begin mark
_rel=0       # now
_dozing=0    # short naps to come, since the handset slept in the last ones
_slept=0     # sleep since the last reading, 1/100 s
_read=0      # when the last reading was, 1/100 s since the begin mark
_wifi=/sys/class/net/wlan0 # the name is a guess
_carrier=    # the kernel's count of how often it lost or found its network; - not to be read
_carried=    # when that was read, uptime
_asleep=$_us # when there was evidence of sleep, or it was looked for, s of uptime
while :; do
	[ -n "$_told" ] && finish stopped
	held || finish 'holder changed'
	# A handset that falls asleep within a reading has its values from before, and the time
	# from after: it is read again. A dump gives up after 10 s by itself; what took longer
	# than that by far was sleep.
	for _try in 1 2 3; do
		now
		_rel=$(((_us - _base) * 100 + 1$_uc - 100 - _off))
		_was=$_rel
		battery
		_fresh=$?
		_rel=$(((_us - _base) * 100 + 1$_uc - 100 - _off))
		_t=$((_rel - _was))
		[ "$_t" -le 500 ] && break
		[ "$_t" -ge 1500 ] && _slept=$((_slept + _t)) _dozing=5
	done
	slept
	if [ "$_fresh" = 0 ]; then
		_unread=0
		[ -n "$_frozen" ] && finish 'gauge frozen by command'
		sample
		network
		dozes
		_rel=$(((_us - _base) * 100 + 1$_uc - 100 - _off))
		if [ -z "$_low" ]; then
			_low=$_lv
		elif [ "$_lv" -lt "$_low" ]; then
			_low=$_lv
			if [ -z "$_edge" ] && [ -n "$_armed" ]; then
				_edge=$_lv
				mark start-edge "$_lv"
			fi
		fi
		# An edge lies between two readings, however far apart: the first that counts has both
		# behind the warm-up.
		[ "$_rel" -ge $((_warm_up_s * 100)) ] && _armed=1
		if [ "$_target_points" -gt 0 ] && [ -n "$_edge" ] && [ "$_low" -le $((_edge - _target_points)) ]; then
			finish target
		fi
		if [ "$_stop_temp" -gt 0 ]; then
			temperature
			[ "$_blind" -ge 10 ] && finish 'temperature unreadable'
			[ "$_still_s" -gt 0 ] && stands
		fi
		if [ "$_pl" -gt 0 ]; then
			_powered=$((_powered + 1))
			[ "$_stop_on_power" = 1 ] && [ "$_powered" -ge 2 ] && finish 'power seen'
			_seen=1 _away=0
		else
			_powered=0
			_away=$((_away + 1))
			[ "$_stop_off_power" = 1 ] && [ -n "$_seen" ] && [ "$_away" -ge 2 ] && finish 'power gone'
		fi
		if [ "$_st" = 5 ] && [ "$_pl" -gt 0 ]; then
			_full=$((_full + 1))
			[ "$_until_full" = 1 ] && [ "$_full" -ge 3 ] && finish full
		else
			_full=0
		fi
		[ "$_stop_level_pct" -gt 0 ] && [ "$_lv" -le "$_stop_level_pct" ] && finish 'level limit'
	else
		[ -n "$_frozen" ] && finish 'gauge frozen by command'
		_unread=$((_unread + 1))
		_rel=$(((_us - _base) * 100 + 1$_uc - 100 - _off))
		if [ -n "$_head" ]; then
			mark unread "level $_lv in the battery dump"
		else
			mark unread 'no header line in the battery dump'
		fi
		# Without readings nobody watches the temperature either.
		[ "$_unread" -ge 10 ] && finish 'battery unreadable'
	fi
	[ "$_time_limit_s" -gt 0 ] && [ "$_rel" -ge $((_time_limit_s * 100)) ] && finish 'time limit'

	# The schedule follows the uptime and does not drift with the cost of a reading; times
	# that went by while the handset slept are left out, not made up for.
	now
	_rel=$(((_us - _base) * 100 + 1$_uc - 100 - _off))
	_due=$((_due + _every))
	[ "$_rel" -ge "$_due" ] && _due=$((_due + ((_rel - _due) / _every + 1) * _every))
	pause
done
