#!/bin/sh
# Takes away what systemd/install.sh put there, as root. It waits until the rig is parked and closed.
# Data stays: /var/lib/nightloom and /etc/nightloom, which belong to root afterwards.
set -eu
[ "$(id -u)" = 0 ] || { echo "systemd/uninstall.sh must be run as root." >&2; exit 2; }

if [ -d /run/systemd/system ]; then
    systemctl disable --now nightloom nightloom-indi
fi
rm -f /etc/systemd/system/nightloom.service /etc/systemd/system/nightloom-indi.service
rm -rf /etc/systemd/system/nightloom.service.d /etc/systemd/system/nightloom-indi.service.d
rm -f /etc/sysusers.d/nightloom.conf /etc/tmpfiles.d/nightloom.conf /usr/local/bin/nightloom
rmdir --ignore-fail-on-non-empty /etc/sysusers.d /etc/tmpfiles.d
rm -rf /opt/nightloom /var/lib/nightloom-indi
[ ! -d /run/systemd/system ] || systemctl daemon-reload

for folder in /var/lib/nightloom /etc/nightloom; do
    [ ! -d "$folder" ] || chown -R root:root "$folder"
done
for user in nightloom nightloom-indi; do
    ! getent passwd "$user" >/dev/null || userdel "$user"
    ! getent group "$user" >/dev/null || groupdel "$user"
done
echo "Nightloom is gone. What it gathered is in /var/lib/nightloom, its configuration in /etc/nightloom."
