# Three full buses recorded onto a small disk that stands still, then, in a second run of the daemon, is full. Lines are read by
# trial.py. STALL_S, FULL_S: how long.
until_true() { # SECONDS COMMAND...: whether it came true in time
    tries=$(($1 * 10)); shift
    while ! "$@" > /dev/null 2>&1; do
        tries=$((tries - 1)); [ $tries -gt 0 ] || return 1
        usleep 100000
    done
}
heard() { [ "$(awk -v i="$1" '$1 == i' /proc/net/can/rcvlist_all | wc -l)" -ge 1 ]; }
said() { grep -q "$1" /tmp/daemon.log; }
daemon() { # FLOOR_MB: starts the daemon and waits until it hears each bus
    {
        printf 'vehicle = "heron"\ndata = "/data/DATA"\nmap = "/bench/map.toml"\nstatus_socket = "/run/drawdown"\nfree_space_floor_mb = %s\n' "$1"
        printf '[[source]]\nkind = "socketcan"\ninterface = "vcan%s"\n' 0 1 2
    } > /tmp/config.toml
    drawdownd --config /tmp/config.toml 2> /tmp/daemon.log & daemon=$!
    for n in 0 1 2; do until_true 20 heard vcan$n || echo "FACT|not heard|vcan$n"; done
}
# On one processor: the kernel may hand on frames of two in either order.
play() { taskset 1 drawdown playback /bench/full.log.zst --onto vcan0=vcan0 --onto vcan1=vcan1 --onto vcan2=vcan2 > /tmp/playback; echo "$?" > /tmp/played; }
stop() { # NAME: ends the daemon in order
    until_true 60 [ -f /tmp/played ]
    usleep 700000
    drawdown status --json --socket /run/drawdown > /tmp/status
    echo "FACT|$1: status|$(tr -d '\n' < /tmp/status)"
    echo "FACT|$1: rss_kb|$(awk '/VmHWM/ { print $2 }' /proc/$daemon/status)"
    kill $daemon; wait $daemon
    echo "FACT|$1: exit|$?"
    echo "FACT|$1: played|$(cat /tmp/played) $(cat /tmp/playback)"
    sed "s/^/LOG|$1|/" /tmp/daemon.log
    rm -f /tmp/played
}

mkfs.ext4 -q -b 4096 -m 0 /dev/vda && mkdir /data && mount -t ext4 /dev/vda /data || exit 1
for n in 0 1 2; do ip link add vcan$n type vcan && ip link set vcan$n mtu 72 up; done

daemon 0
play & player=$!
sleep 4
fsfreeze --freeze /data && echo "FACT|stall: frozen|yes"
sleep "$STALL_S"
fsfreeze --unfreeze /data && echo "FACT|stall: thawed|yes"
wait $player
stop stall
echo "FACT|stall: runs|$(ls /data/DATA/vehicle=heron | tr '\n' ' ')"

# Nearly full: raw frames of the run before go; then full, until the filler goes.
free_kb=$(df -k /data | awk 'NR == 2 { print $4 }')
dd if=/dev/zero of=/data/filler bs=1k count=$((free_kb - 2500)) 2> /dev/null
daemon 1000
play & player=$!
until_true 60 said 'raw frames removed' && echo "FACT|full: frames of the run before went|yes"
# Their room is filled too.
dd if=/dev/zero of=/data/filler2 bs=1k count=$(($(df -k /data | awk 'NR == 2 { print $4 }') - 600)) 2> /dev/null
until_true 60 said 'the disk is full' && echo "FACT|full: said|yes"
sleep "$FULL_S"
rm /data/filler /data/filler2
until_true 20 said 'recording goes on' && echo "FACT|full: goes on|yes"
wait $player
stop full
# What is still to be made is made on the next start.
daemon 0
until_true 60 [ -z "$(find /data/DATA -name journal)" ]
sleep 2
kill $daemon; wait $daemon
sed "s/^/LOG|after|/" /tmp/daemon.log
cp -r /data/DATA /tmp/DATA
exit 0
