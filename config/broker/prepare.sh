#!/bin/sh
# Makes what a broker for one rig needs. The two commands that start it (Debian: apt-get install mosquitto openssl):
#
#     sh prepare.sh FOLDER HOST
#     mosquitto -c FOLDER/mosquitto.conf
#
# HOST is the name or the address by which the monitor and the sensors reach the broker. Into FOLDER go the broker's
# configuration, an authority of its own, a certificate for the broker and one for the monitor, two users with random
# passwords, their rights, and monitor.toml for `stopmark watch --credentials FOLDER/monitor.toml --broker mqtts://HOST`.
# Run by the superuser it gives what the broker reads to the user `mosquitto`, to whom the broker then changes. The
# certificates of broker and clients are good for 825 days: prepare another folder in time, and hand its files out.
set -eu
umask 077
[ $# -eq 2 ] || { echo "usage: sh prepare.sh FOLDER HOST" >&2; exit 2; }
PATH=$PATH:/usr/sbin:/usr/local/sbin # where Debian puts mosquitto, and ordinary users do not look
for program in openssl mosquitto_passwd mosquitto; do
    command -v "$program" >/dev/null || { echo "$program is missing: apt-get install mosquitto openssl" >&2; exit 1; }
done
host=$2
case $host in
    '' | *[!A-Za-z0-9.:_-]*) echo "'$host' is no name and no address of a host" >&2; exit 2 ;;
esac
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$1"
cd "$1"
folder=$(pwd)
[ ! -e ca.key ] || { echo "$folder: holds an authority already; take another folder" >&2; exit 1; }

case $host in
    *:*) name="IP:$host" ;;
    *[!0-9.]*) name="DNS:$host" ;;
    *) name="IP:$host" ;;
esac
new_key="-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"

quiet() { # a command that talks even when all is well
    words=$("$@" 2>&1) || { echo "$words" >&2; exit 1; }
}
quiet openssl req -x509 $new_key -keyout ca.key -out ca.pem -days 3650 -subj "/CN=Rig authority"
certificate() { # file, common name, alternative name
    quiet openssl req $new_key -keyout "$1.key" -out "$1.csr" -subj "/CN=$2"
    printf 'subjectAltName=%s\n' "$3" >"$1.ext"
    quiet openssl x509 -req -in "$1.csr" -CA ca.pem -CAkey ca.key -CAcreateserial -out "$1.pem" -days 825 -extfile "$1.ext"
    rm "$1.csr" "$1.ext"
}
certificate server broker "$name"
certificate monitor monitor DNS:monitor
certificate sensors sensors DNS:sensors

: >passwords
for user in monitor sensors; do
    word=$(openssl rand -hex 16)
    printf '%s:%s\n' "$user" "$word" >>passwords
    printf 'user = "%s"\npassword = "%s"\nca = "ca.pem"\ncert = "%s.pem"\nkey = "%s.key"\n' \
        "$user" "$word" "$user" "$user" >"$user.toml"
done
mosquitto_passwd -U passwords # the passwords in the file become their digests

cp "$here/rights" rights
sed "s|FOLDER|$(printf %s "$folder" | sed 's/[&|\\]/\\&/g')|" "$here/mosquitto.conf" >mosquitto.conf
chmod 600 rights mosquitto.conf
if [ "$(id -u)" -eq 0 ] && id mosquitto >/dev/null 2>&1; then
    chown mosquitto . mosquitto.conf ca.pem server.pem server.key passwords rights
    su -s /bin/sh mosquitto -c 'test -r "$1"' sh "$folder/passwords" ||
        echo "the user mosquitto cannot get into $folder: prepare another, where all may pass" >&2
fi
echo "$folder: ready. Start the broker: $(command -v mosquitto) -c $folder/mosquitto.conf"
