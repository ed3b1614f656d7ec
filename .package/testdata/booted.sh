#!/bin/bash
# What happens to the package on a computer, as the only job of a container that
# has booted: first.deb and second.deb lie in /.
. /say.sh
pid() { systemctl show makebreak -p MainPID --value; }
as() { runuser -u makebreak -- "$@"; }

ok "it installs" dpkg -i /first.deb
ok "it is not enabled" says disabled systemctl is-enabled makebreak
ok "it does not run" says inactive systemctl is-active makebreak
ok "without a configuration it does not start" says "Assertion failed" systemctl start makebreak
ok "its user may use lines" says gpio id -nG makebreak
ok "its user cannot log in" says /usr/sbin/nologin getent passwd makebreak
cp /usr/share/doc/makebreak/examples/first-watch.yaml /etc/makebreak/watch.yaml
ok "the first configuration has no mistakes" says "no mistakes" as makebreak watch --check /etc/makebreak/watch.yaml
ok "it starts and says that it is ready" systemctl enable --now makebreak
ok "it watches" says "watching 1 contact" systemctl show makebreak -p StatusText
ok "it serves metrics" says 'makebreak_up{contact="practice-dial"} 1' page 7610 /metrics
ok "it serves the page" says "Marrow Quay exchange" page 7610 /
ok "it reads the state of the clock's steering" says "makebreak_clock_synchronised" page 7610 /metrics
ok "it runs as its user" says "Uid:	$(id -u makebreak)	$(id -u makebreak)	$(id -u makebreak)" cat "/proc/$(pid)/status"
ok "it has no capability" says "CapEff:	0000000000000000" cat "/proc/$(pid)/status"
ok "it cannot get one" says "NoNewPrivs:	1" cat "/proc/$(pid)/status"
ok "its system calls are filtered" says "Seccomp:	2" cat "/proc/$(pid)/status"
ok "it has users of its own" refused says 4294967295 cat "/proc/$(pid)/uid_map"
ok "others cannot read the log" refused runuser -u nobody -- cat "$log"
ok "the folder of the log is closed" says 750 stat -c %a /var/lib/makebreak

echo "listen: 127.0.0.1:7611" >>/etc/makebreak/watch.yaml
mkdir -p /etc/systemd/system/makebreak.service.d
printf '[Service]\nSocketBindAllow=tcp:7611\n' >/etc/systemd/system/makebreak.service.d/port.conf
systemctl daemon-reload
ok "another port can be allowed" systemctl restart makebreak
ok "it serves there" says "makebreak_up" page 7611 /metrics
rm -r /etc/systemd/system/makebreak.service.d
systemctl daemon-reload
sed -i '/^listen/d' /etc/makebreak/watch.yaml
echo "# changed by hand" >>/etc/makebreak/watch.yaml
ok "it is restarted" systemctl restart makebreak
ok "a note is kept" as makebreak note "oiled the governor" --log "$log"
before=$(pid)

ok "it is upgraded" dpkg -i /second.deb
ok "it runs after that" says active systemctl is-active makebreak
ok "it was started anew" refused test "$before" = "$(pid)"
ok "it is the new one" says "1.2.4-rc1" page 7610 /metrics
ok "the configuration is kept" grep -q "changed by hand" /etc/makebreak/watch.yaml
ok "the log is kept" says "oiled the governor" as makebreak notes --log "$log"
ok "what was measured is kept" says "makebreak.measurement/1" as makebreak measure run:practice-dial --log "$log" --json

ok "it is removed" dpkg -r makebreak
ok "it has stopped" refused pidof makebreak
ok "the log stays" test -s "$log"
ok "the configuration stays" test -s /etc/makebreak/watch.yaml
ok "it is purged" dpkg -P makebreak
ok "the log is gone" refused test -e /var/lib/makebreak
ok "the configuration is gone" refused test -e /etc/makebreak
ok "nothing enables it" refused test -L /etc/systemd/system/multi-user.target.wants/makebreak.service
ok "nothing is left" left
echo end
