#!/bin/sh
# Installs Nightloom in a fresh Debian 12 root as README.md says, verifies its units, rehearses an hour
# as the service's user, boots systemd there and has the service run in its sandbox on the simulated
# rig, be killed and be stopped, and removes it again. Takes some minutes and 2 GB under /var/tmp; as root.
# Run: tests/fresh_root.sh [MIRROR]
set -eu
cd "$(dirname "$0")/.."
mirror=${1:-http://deb.debian.org/debian}

command -v debootstrap >/dev/null || apt-get install -y -qq debootstrap
root=$(mktemp -d /var/tmp/nightloom-root.XXXXXX)
chmod 755 "$root"
leave() {
    for folder in proc dev; do umount -l "$root/$folder" 2>/dev/null || true; done
    rm -rf "$root"
}
trap leave EXIT

debootstrap --variant=minbase \
    --include=ca-certificates,git,python3,python3-venv,systemd,sysvinit-utils bookworm "$root" "$mirror" \
    >/dev/null
mount --bind /dev "$root/dev"
mount -t proc proc "$root/proc"
# The way out is the machine's.
cp /etc/resolv.conf /etc/hosts "$root/etc/"
cp /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/"
[ ! -f /etc/pip.conf ] || cp /etc/pip.conf "$root/etc/"
git clone -q . "$root/root/nightloom"

in_root() { env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
    HOME=/root LC_ALL=C.UTF-8 SSL_CERT_FILE=/etc/ssl/certs/ca-certificates.crt \
    ${HTTPS_PROXY:+HTTPS_PROXY="$HTTPS_PROXY"} ${HTTP_PROXY:+HTTP_PROXY="$HTTP_PROXY"} \
    chroot "$root" "$@"; }

there() {
    in_root find / -xdev -not -path '/root/*' -not -path '/tmp/*' -not -path '/proc/*' \
        -not -path '/run/*' -not -path '/var/cache/*' -not -path '/var/log/*' | sort
}
before=$(there)
in_root /root/nightloom/systemd/install.sh

echo "== units"
in_root systemd-analyze verify --man=no /etc/systemd/system/nightloom.service
in_root systemd-analyze security --offline=true nightloom.service | tail -1

echo "== an hour of a night, as the service's user"
in_root setpriv --reuid nightloom --regid nightloom --init-groups --no-new-privs --inh-caps=-all \
    env HOME=/var/lib/nightloom nightloom rehearse --hours 1 --json \
    --out /var/lib/nightloom/rehearsed 2>"$root/tmp/log" || { tail -5 "$root/tmp/log"; exit 1; }
in_root setpriv --reuid nightloom --regid nightloom --init-groups \
    env HOME=/var/lib/nightloom nightloom check --config /etc/nightloom

echo "== in its sandbox, under systemd"
umount "$root/proc" "$root/dev"
cp config/demo/*.toml "$root/etc/nightloom/"
sed -i -e 's|~/nightloom-demo|/var/lib/nightloom|' -e 's/^port = 7624/port = 17624/' \
    "$root/etc/nightloom/observatory.toml"
cp -r /usr/share/astrometry "$root/usr/share/"
mkdir -p "$root/etc/systemd/system/nightloom-indi.service.d"
printf '[Service]\nExecStart=\nExecStart=/opt/nightloom/bin/nightloom-rig --port 17624\n' \
    >"$root/etc/systemd/system/nightloom-indi.service.d/rig.conf"
unshare --pid --fork --kill-child --mount --uts --ipc --cgroup --propagation private sh -ec "
    mount --bind '$root' '$root' && cd '$root'
    mount -t proc proc proc && mount -t sysfs sysfs sys && mount -t cgroup2 cgroup2 sys/fs/cgroup
    mount --rbind /dev dev && mount -t tmpfs tmpfs dev/shm && mount -t tmpfs tmpfs run
    mkdir -p run/lock mnt && pivot_root . mnt && cd / && umount -l /mnt
    exec env -i container=lxc PATH=/usr/sbin:/usr/bin:/sbin:/bin /lib/systemd/systemd --show-status=false
" >/dev/null 2>&1 &
booted=$!
sleep 5
first=$(pgrep -P "$booted")
inside() { nsenter -t "$first" -m -p -u -i -C \
    env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 "$@"; }
said() { inside journalctl --no-pager -u nightloom -u nightloom-indi; }
awaited() { # WORDS TIMES SECONDS
    for _ in $(seq "$3"); do
        [ "$(said | grep -c -e "$1")" -lt "$2" ] || return 0
        sleep 1
    done
    said | tail -20
    return 1
}
inside systemctl start nightloom-indi
awaited 'listens on' 1 60
inside systemctl start nightloom
awaited '"night_armed"' 1 60
parked=$(said | grep -c -e '"mount_parked"' || true)
inside sh -c 'kill -9 $(systemctl show -p MainPID --value nightloom)'
echo "killed: parked and closed without it, and started anew"
awaited 'The rig is parked and closed' 1 60
awaited '"mount_parked"' $((parked + 1)) 60
awaited '"night_armed"' 2 60
inside systemctl stop nightloom nightloom-indi
inside systemctl show -p Result nightloom | grep -x Result=success
kill -9 "$first"
wait "$booted" || true
mount --bind /dev "$root/dev"
mount -t proc proc "$root/proc"

echo "== removed again"
in_root /root/nightloom/systemd/uninstall.sh
after=$(there)
left=$(printf '%s\n' "$before" "$after" "$after" | sort | uniq -c | awk '$1 == 2 { print $2 }' |
    grep -v -e '^/usr/share/astrometry' -e '^/etc/machine-id' -e '^/var/lib/systemd' -e '^/var/lib/nightloom' -e '^/etc/nightloom' -e '^/etc/.*-$' -e '\.pyc$' || true)
[ -z "$left" ] || { echo "left behind:"; echo "$left"; exit 1; }
echo "nothing is left but data"
