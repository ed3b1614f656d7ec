# What the stories of this folder say it with. Each line of a story is "ok" or
# "FAILED" with what was looked at.
ok() {
	local name=$1 out
	shift
	if out=$("$@" 2>&1); then echo "ok $name"; else echo "FAILED $name: $out"; fi
}
refused() { ! "$@"; }
says() { # WORDS COMMAND …: it writes the words
	local words=$1 out
	shift
	out=$("$@" 2>&1)
	grep -qF -- "$words" <<<"$out" || { echo "$out"; return 1; }
}
page() { # PORT PATH
	exec 3<>"/dev/tcp/127.0.0.1/$1" || return 1
	printf 'GET %s HTTP/1.0\r\nHost: localhost\r\n\r\n' "$2" >&3
	cat <&3
}
left() {
	local all
	all=$(find / -xdev -name '*makebreak*')
	echo "$all"
	[ -z "$all" ]
}
log=/var/lib/makebreak/log.db
