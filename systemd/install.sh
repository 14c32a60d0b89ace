#!/bin/sh
# Puts the units, rules and settings in place; a second run updates them and leaves your settings alone.
# DESTDIR=/somewhere makes a dry run into that folder, without touching the running system.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
root=${DESTDIR:-}

put() { # put SOURCE TARGET-FOLDER [NAME]
    install -D -m 0644 "$here/$1" "$root$2/${3:-$(basename "$1")}"
}

for unit in livemon.service livemon-console.service livemon-power-off.path livemon-power-off.service; do
    put "$unit" /etc/systemd/system
done
put livemon-sysusers.conf /etc/sysusers.d livemon.conf
put livemon-modules.conf /etc/modules-load.d livemon.conf
put 60-livemon.rules /etc/udev/rules.d
put 80-livemon-can.network /etc/systemd/network
for drop_in in sound gpio page serial-only; do
    put "optional/$drop_in.conf" /etc/livemon/optional
done

settings="$root/etc/livemon/livemon.yaml"
if [ ! -e "$settings" ]; then
    install -D -m 0640 "$here/../config/livemon.yaml" "$settings"
    sed -i 's|^  port: none$|  port: /dev/livemon-obd|' "$settings"
fi

if [ -z "$root" ]; then
    systemd-sysusers
    chown root:livemon /etc/livemon "$settings"
    chmod 0750 /etc/livemon
    systemctl daemon-reload
    systemctl restart systemd-modules-load.service || echo "install: a module could not be loaded; go on if you do not need it" >&2
    udevadm control --reload
    udevadm trigger --subsystem-match=tty
fi
echo "install: done; next: systemctl enable --now livemon livemon-console"
