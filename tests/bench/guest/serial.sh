# What tests/bench/serial runs in the guest: drawdownd with an slcan adapter and gpsd, another with an NMEA receiver, a third that
# asks by an slcan adapter, the kernel's own slcan driver beside them. Everything to be judged goes to /tmp/out and is judged outside.
# $IN: folder of configurations, frames to play and sentences to feed.

until_true() { # SECONDS COMMAND...
    tries=$(($1 * 10)); shift
    while ! "$@" > /dev/null 2>&1; do
        tries=$((tries - 1)); [ $tries -gt 0 ] || { echo "waited in vain for: $*"; return 1; }
        usleep 100000
    done
}
lines() { [ "$(wc -l < "$1")" -ge "$2" ]; }
listening() { [ "$(awk -v i="$1" '$1 == i' /proc/net/can/rcvlist_all | wc -l)" -ge 1 ]; }
says() { drawdown status --socket "$1" | grep -q "$2"; }

mkdir -p /tmp/out /run/gpsd
# slcanpty takes a frame a read: when the emulated machine was held up, what waits for it must not be dropped.
echo 8388608 > /proc/sys/net/core/rmem_default
for n in 0 1; do ip link add vcan$n type vcan && ip link set vcan$n up; done

# Two adapters on one bus and one on another, all played by can-utils' slcanpty. They are the first here to ask for pseudo-terminals,
# so these are 0, 1 and 2. The first has its time stamps on (Z1). Someone must hold an end open, or slcanpty ends.
slcanpty /dev/ptmx vcan0 > /tmp/out/adapter.txt & first=$!
until_true 5 test -e /dev/pts/0
slcanpty /dev/ptmx vcan0 > /dev/null & second=$!
until_true 5 test -e /dev/pts/1
slcanpty /dev/ptmx vcan1 > /dev/null & third=$!
until_true 5 test -e /dev/pts/2
exec 9<> /dev/pts/0 8<> /dev/pts/2
stty raw -echo < /dev/pts/0; stty raw -echo < /dev/pts/2
printf 'Z1\r' >&9

# The kernel's line discipline drives the second.
slcand -F -o -s6 /dev/pts/1 slcan0 > /tmp/slcand 2>&1 & driver=$!
until_true 5 ip link show slcan0
ip link set slcan0 up

# Our driver has the first and the third, by cables that can be pulled. slcanpty knows no L (listen only): on its way the letter
# becomes O.
cat > /tmp/cable <<'END'
cat < /dev/pts/$1 & reader=$!
tee -a /tmp/out/sent$1 | tr L O > /dev/pts/$1
kill $reader
END
cable() { # NUMBER
    socat PTY,link=/tmp/adapter$1,raw,echo=0 "EXEC:sh /tmp/cable $1" & cable=$!
    until_true 5 test -e /tmp/adapter$1
}
cable 2; other=$cable
cable 0

# A bus that is awake, and an ECU on it that knows its speed (42 km/h) and what it knows.
cangen vcan1 -g 100 -I 123 -L 4 -D 00000000 & awake=$!
candump -L vcan1 > /tmp/out/asked.log & dump3=$!
(candump -L vcan1,7DF:7FF,7E0:7FF | while read -r _ _ frame; do
    case $frame in
        7E0#02010D*) cansend vcan1 7E8#03410D2A00000000 ;;
        7DF#020100*) cansend vcan1 7E8#0641000008000000 ;;
    esac
done) & ecu=$!
until_true 5 listening vcan1

# Two receivers, fed the same sentences, a moment each second; gpsd reads the first.
socat PTY,link=/tmp/receiver,raw,echo=0 PTY,link=/tmp/feed,raw,echo=0 & pair1=$!
socat PTY,link=/tmp/receiver2,raw,echo=0 PTY,link=/tmp/feed2,raw,echo=0 & pair2=$!
until_true 5 test -e /tmp/feed; until_true 5 test -e /tmp/feed2
(for epoch in "$IN"/nmea/*; do cat "$epoch" > /tmp/feed; cat "$epoch" > /tmp/feed2; sleep 1; done) & feeder=$!
gpsd -N -n -b /tmp/receiver > /tmp/out/gpsd.txt 2>&1 & gpsd=$!
until_true 10 awk '$2 ~ /:0B83$/ && $4 == "0A" { found = 1 } END { exit !found }' /proc/net/tcp # port 2947 listens

candump -L vcan0 > /tmp/out/vcan.log & dump1=$!
candump -L slcan0 > /tmp/out/slcan.log & dump2=$!
until_true 5 listening vcan0; until_true 5 listening slcan0

drawdownd --config "$IN/drive.toml" > /tmp/out/drive.txt 2>&1 & drive=$!
drawdownd --config "$IN/walk.toml" > /tmp/out/walk.txt 2>&1 & walk=$!
drawdownd --config "$IN/ask.toml" > /tmp/out/ask.txt 2>&1 & ask=$!
until_true 20 says /tmp/drive "^drive: reading"; until_true 20 says /tmp/drive "^gpsd.*: reading"
until_true 20 says /tmp/walk ": reading"; until_true 20 says /tmp/ask "^socket: reading"
echo "all read at uptime $(cut -d ' ' -f 1 /proc/uptime)"

canplayer -g 1 -I "$IN/frames.log"
until_true 10 lines /tmp/out/vcan.log "$FRAMES"; until_true 10 lines /tmp/out/slcan.log "$FRAMES"
sleep 1

kill $cable; wait $cable 2> /dev/null
until_true 10 says /tmp/drive "^drive: .*port"
drawdown status --socket /tmp/drive > /tmp/out/pulled.txt
cable 0
until_true 10 says /tmp/drive "^drive: reading"
canplayer -g 1 -I "$IN/later.log"
until_true 10 lines /tmp/out/vcan.log $((FRAMES + LATER)); until_true 10 lines /tmp/out/slcan.log $((FRAMES + LATER))
sleep 6 # more fixes: one comes each second
drawdown status --socket /tmp/drive > /tmp/out/status.txt
drawdown status --socket /tmp/walk > /tmp/out/walk-status.txt
drawdown status --socket /tmp/ask > /tmp/out/ask-status.txt

kill $drive $walk $ask
wait $drive; echo "drive ended $?" > /tmp/out/ended.txt
wait $walk; echo "walk ended $?" >> /tmp/out/ended.txt
wait $ask; echo "ask ended $?" >> /tmp/out/ended.txt
usleep 300000
kill $dump1 $dump2 $dump3 $awake $ecu $driver $first $second $third $cable $other $pair1 $pair2 $feeder $gpsd 2> /dev/null
mv /tmp/data /tmp/out/data
exit 0
