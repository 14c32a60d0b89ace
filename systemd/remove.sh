#!/bin/sh
# Takes away what install.sh put in place.  Settings (/etc/livemon) and recordings (/var/lib/livemon) stay unless --purge.
set -eu
root=${DESTDIR:-}
purge=no
[ "${1:-}" = "--purge" ] && purge=yes

units="livemon.service livemon-console.service livemon-power-off.path livemon-power-off.service"
if [ -z "$root" ]; then
    # shellcheck disable=SC2086 # a list of names
    systemctl disable --now $units 2>/dev/null || true
fi
for unit in $units; do
    rm -f "$root/etc/systemd/system/$unit"
done
rm -rf "$root/etc/systemd/system/livemon.service.d"
rm -f "$root/etc/sysusers.d/livemon.conf" "$root/etc/modules-load.d/livemon.conf" \
    "$root/etc/udev/rules.d/60-livemon.rules" "$root/etc/systemd/network/80-livemon-can.network"
rm -rf "$root/etc/livemon/optional" "$root/opt/livemon"
if [ "$purge" = yes ]; then
    rm -rf "$root/etc/livemon" "$root/var/lib/livemon"
    [ -n "$root" ] || userdel livemon 2>/dev/null || true
fi
if [ -z "$root" ]; then
    systemctl daemon-reload
    udevadm control --reload
    systemctl start getty@tty1.service
fi
echo "remove: done; settings and recordings $([ "$purge" = yes ] && echo removed || echo kept)"
