# What the guest's scripts of this trial share. Sourced; does nothing by itself.

until_true() { # SECONDS COMMAND...: whether it came true in time
    tries=$(($1 * 10)); shift
    while ! "$@" > /dev/null 2>&1; do
        tries=$((tries - 1)); [ $tries -gt 0 ] || return 1
        usleep 100000
    done
}
heard() { [ "$(awk -v i="$1" '$1 == i' /proc/net/can/rcvlist_all /proc/net/can/rcvlist_err | wc -l)" -ge 1 ]; }
says() { drawdown status --socket /run/drawdown | grep -q "$1"; }
waiting() { grep -q "$1" /tmp/daemon.log; }
up() { ip link set "$1" mtu 72 up; }
can() { ip link add "$1" type vcan && up "$1"; }
uptime_cs() { read -r now _ < /proc/uptime; echo "${now%.*}${now#*.}"; }
cpu_ticks() { sed 's/.*) //' "/proc/$1/stat" | awk '{ print $12 + $13 }'; }

daemon() { # INTERFACE...: starts the daemon and waits until it hears each
    {
        printf 'vehicle = "heron"\ndata = "/tmp/DATA"\nmap = "/bench/demo.toml"\nstatus_socket = "/run/drawdown"\n'
        printf '[[source]]\nkind = "socketcan"\ninterface = "%s"\n' "$@"
    } > /tmp/config.toml
    drawdownd --config /tmp/config.toml 2> /tmp/daemon.log & daemon=$!
    for name in "$@"; do until_true 20 heard "$name" || echo "FACT|not heard|$name"; done
}
stop() { # the daemon, in order
    kill $daemon; wait $daemon
    echo "FACT|daemon's exit|$?"
    sed 's/^/LOG|/' /tmp/daemon.log
}
