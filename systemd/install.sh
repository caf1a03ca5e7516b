#!/bin/sh
# Installs Nightloom as a service on Debian 12 or newer, from a clone of its repository; as root.
# Nothing is enabled or started: that is for a person who has read README.md. Running it again
# brings an installation up to date, and leaves configuration and data alone.
set -eu
cd "$(dirname "$0")/.."

[ "$(id -u)" = 0 ] || { echo "systemd/install.sh must be run as root." >&2; exit 2; }
python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    { echo "systemd/install.sh needs Python 3.11 or newer." >&2; exit 2; }

[ -x .uv/bin/uv ] || { python3 -m venv .uv && .uv/bin/pip install -q uv; }
UV_PROJECT_ENVIRONMENT=/opt/nightloom UV_PYTHON_DOWNLOADS=never \
    .uv/bin/uv sync -q --locked --no-dev --no-editable --python /usr/bin/python3
ln -sfn /opt/nightloom/bin/nightloom /usr/local/bin/nightloom

install -D -m 644 systemd/nightloom.sysusers /etc/sysusers.d/nightloom.conf
install -D -m 644 systemd/nightloom.tmpfiles /etc/tmpfiles.d/nightloom.conf
install -D -m 644 -t /etc/systemd/system systemd/nightloom.service systemd/nightloom-indi.service
systemd-sysusers nightloom.conf
systemd-tmpfiles --create nightloom.conf
chown -R nightloom:nightloom /var/lib/nightloom

if [ ! -e /etc/nightloom/observatory.toml ]; then
    install -m 640 -g nightloom -t /etc/nightloom config/example/*.toml
    sed -i 's|^output_folder = "~/nightloom" |output_folder = "/var/lib/nightloom" |' \
        /etc/nightloom/observatory.toml
fi
[ ! -d /run/systemd/system ] || systemctl daemon-reload

cat <<'TEXT'
Nightloom is installed. Next:
    edit /etc/nightloom/*.toml, then: nightloom check --config /etc/nightloom
    systemctl enable --now nightloom-indi    once it names your drivers
    systemctl enable --now nightloom
TEXT
