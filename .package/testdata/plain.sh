#!/bin/bash
# What happens to the package on a computer without a running systemd, in a
# chroot: PORT is free. The watch runs as its unit has it, user, environment and
# command, without the walls that only systemd builds.
. /say.sh
port=$1 unit=/usr/lib/systemd/system/makebreak.service
user=(setpriv --reuid makebreak --regid makebreak --init-groups --no-new-privs --bounding-set=-all --inh-caps=-all --)
as() { "${user[@]}" "$@"; }
up() { # starts the watch and waits until it answers
	local command environment
	command=$(sed -n 's/^ExecStart=//p' $unit) environment=$(sed -n 's/^Environment=//p' $unit)
	"${user[@]}" env -i $environment $command >/watch.out 2>&1 &
	echo $! >/watch.pid
	for _ in {1..100}; do
		if page "$port" /metrics >/dev/null 2>&1; then return; fi
		sleep 0.1
	done
	cat /watch.out
	return 1
}
down() {
	local watch
	watch=$(</watch.pid)
	kill "$watch" || return
	for _ in {1..100}; do
		if ! kill -0 "$watch" 2>/dev/null; then return; fi
		sleep 0.1
	done
	return 1
}
trap 'if [ -e /watch.pid ]; then kill -KILL "$(</watch.pid)" 2>/dev/null; fi' EXIT

ok "it installs" dpkg -i /first.deb
ok "nothing enables it" refused test -e /etc/systemd/system/multi-user.target.wants/makebreak.service
ok "it brings no configuration" refused test -e /etc/makebreak/watch.yaml
ok "its user may use lines" says gpio id -nG makebreak
ok "its user cannot log in" says /usr/sbin/nologin getent passwd makebreak
cp /usr/share/doc/makebreak/examples/first-watch.yaml /etc/makebreak/watch.yaml
echo "listen: 127.0.0.1:$port" >>/etc/makebreak/watch.yaml
ok "the first configuration has no mistakes" says "no mistakes" as makebreak watch --check /etc/makebreak/watch.yaml
ok "it answers" up
ok "it serves metrics" says 'makebreak_up{contact="practice-dial"} 1' page "$port" /metrics
ok "it serves the page" says "Marrow Quay exchange" page "$port" /
ok "others cannot read the log" refused setpriv --reuid nobody --clear-groups cat $log
ok "the folder of the log is closed" says 750 stat -c %a /var/lib/makebreak
ok "a note is kept" as makebreak note "oiled the governor" --log $log
ok "it stops when it is told to" down
echo "# changed by hand" >>/etc/makebreak/watch.yaml

ok "it is upgraded" dpkg -i /second.deb
ok "it answers again" up
ok "it is the new one" says "1.2.4-rc1" page "$port" /metrics
ok "the configuration is kept" grep -q "changed by hand" /etc/makebreak/watch.yaml
ok "the log is kept" says "oiled the governor" as makebreak notes --log $log
ok "what was measured is kept" says "makebreak.measurement/1" as makebreak measure run:practice-dial --log $log --json
ok "it stops again" down

ok "it is removed" dpkg -r makebreak
ok "the log stays" test -s $log
ok "the configuration stays" test -s /etc/makebreak/watch.yaml
ok "it is purged" dpkg -P makebreak
ok "nothing is left" left
echo end
