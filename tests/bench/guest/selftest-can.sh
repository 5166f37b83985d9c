# The self-test's first start: shows that the kernel's CAN stack, the tools and gpsd work. Prints one CHECK line a check.
# $PAYLOAD: file of bytes in hexadecimal for ISO-TP; $NMEA: folder of epochs for gpsd; results also go to /tmp/results.

check() { # NAME WORD DETAIL: the check holds when the command before it did
    if [ "$2" = 0 ]; then word=PASS; else word=FAIL; fi
    echo "CHECK|$1|$word|$3" | tee -a /tmp/results
}
until_true() { # SECONDS COMMAND...
    tries=$(($1 * 10)); shift
    while ! "$@" > /dev/null 2>&1; do
        tries=$((tries - 1)); [ $tries -gt 0 ] || return 1
        usleep 100000
    done
}
listening() { [ "$(awk -v i="$1" '$1 == i' /proc/net/can/rcvlist_all | wc -l)" -ge "${2:-1}" ]; }
lines() { [ "$(wc -l < "$1")" -ge "$2" ]; }
uptime_cs() { read -r up _ < /proc/uptime; echo "${up%.*}${up#*.}"; }

for n in 0 1 2; do ip link add vcan$n type vcan && ip link set vcan$n mtu 72 && ip link set vcan$n up; done
[ "$(ip -o link show type vcan up | grep -c 'mtu 72 ')" = 3 ]
check "three vcan interfaces, FD-capable" $? "up at uptime $(uptime_cs) cs"

# Frames: base and extended identifier, remote, FD with bit rate switch, each as sent. Newer kernels add the flag 4, "this is an
# FD frame" (linux/can.h, CANFD_FDF), to what they hand out.
candump -L vcan0 > /tmp/frames & dump=$!
until_true 5 listening vcan0
sent="123#DEADBEEF 18DAF110#0102030405060708 456#R 321##1000102030405060708090A0B"
for frame in $sent; do cansend vcan0 $frame; done
until_true 5 lines /tmp/frames 4
kill $dump; wait $dump 2> /dev/null
got=$(awk '{ sub("##5", "##1", $3); printf "%s%s", sep, $3; sep = " " }' /tmp/frames)
[ "$got" = "$sent" ]
check "candump hears what cansend sent" $? "$got"

# ISO-TP by the kernel: count of frames by ISO 15765-2 (6 bytes in the first frame, 7 in each consecutive one, one flow control).
candump -L vcan1 > /tmp/segments & dump=$!
until_true 5 listening vcan1
isotprecv -s 7E0 -d 7E8 vcan1 > /tmp/received & receiver=$!
until_true 5 grep -q vcan1 /proc/net/can/rcvlist_sff
usleep 200000
isotpsend -s 7E8 -d 7E0 vcan1 < "$PAYLOAD"
wait $receiver
usleep 300000
kill $dump; wait $dump 2> /dev/null
[ "$(tr -d ' \n' < /tmp/received)" = "$(tr -d ' \n' < "$PAYLOAD")" ]
check "ISO-TP multi-frame message arrives whole" $? "$(wc -w < /tmp/received) bytes"
bytes=$(wc -w < "$PAYLOAD")
expected="1 first, $(((bytes - 6 + 6) / 7)) consecutive, 1 flow control"
seen="$(grep -c '7E8#1' /tmp/segments) first, $(grep -c '7E8#2' /tmp/segments) consecutive, $(grep -c '7E0#3' /tmp/segments) flow control"
[ "$seen" = "$expected" ]
check "ISO-TP frames as ISO 15765-2 counts them" $? "$seen"

# slcan: slcanpty plays the adapter (pseudo-terminal to vcan2), the kernel's line discipline drives it as slcan0.
# It is the first here to ask for a pseudo-terminal, so its number is 0.
slcanpty /dev/ptmx vcan2 > /dev/null & adapter=$!
until_true 5 test -e /dev/pts/0
slcand -F -o -s6 /dev/pts/0 slcan0 > /tmp/slcand 2>&1 & driver=$!
until_true 5 ip link show slcan0
ip link set slcan0 up
candump -L slcan0 > /tmp/from-adapter & dump_a=$!
candump -L vcan2 > /tmp/to-adapter & dump_b=$!
until_true 5 listening slcan0; until_true 5 listening vcan2
cansend vcan2 111#A1B2; cansend vcan2 1ABCDEF0#11223344556677
until_true 5 lines /tmp/from-adapter 2
cansend slcan0 222#C3D4E5; cansend slcan0 222#R
until_true 5 lines /tmp/to-adapter 4
[ "$(awk '{ print $3 }' /tmp/from-adapter | head -n 2 | tr '\n' ' ')" = "111#A1B2 1ABCDEF0#11223344556677 " ]
check "slcan: bus to the kernel's line discipline" $? "$(awk '{ print $3 }' /tmp/from-adapter | tr '\n' ' ')"
[ "$(awk '{ print $3 }' /tmp/to-adapter | tail -n 2 | tr '\n' ' ')" = "222#C3D4E5 222#R " ]
check "slcan: line discipline to the bus" $? "$(awk '{ print $3 }' /tmp/to-adapter | tr '\n' ' ')"
kill $dump_a $dump_b $driver $adapter; wait $dump_a $dump_b $driver $adapter 2> /dev/null

# The wall clock is set forth and back while frames flow: stamps of the kernel jump, the monotonic clock and the frames don't.
candump -L vcan0 > /tmp/stepped & dump=$!
until_true 5 listening vcan0
before=$(uptime_cs)
cansend vcan0 001#01
date -s "@$(($(date +%s) + 3600))" > /dev/null && cansend vcan0 002#02
date -s "@$(($(date +%s) - 7200))" > /dev/null && cansend vcan0 003#03
date -s "@$(($(date +%s) + 3600))" > /dev/null
until_true 5 lines /tmp/stepped 3
after=$(uptime_cs)
kill $dump; wait $dump 2> /dev/null
steps=$(awk '{ s = substr($1, 2) + 0
    if (NR > 1) printf "%s%d", (NR > 2 ? ", " : ""), int((s - last) / 3600 + 100.5) - 100
    last = s }' /tmp/stepped)
[ "$steps" = "1, -2" ] && [ $((after - before)) -lt 3000 ]
check "clock stepped +1 h, -2 h: frames still come" $? "stamps step by $steps h; monotonic $((after - before)) cs"

# gpsd reads NMEA from a pseudo-terminal and serves it over TCP.
mkdir -p /run/gpsd
socat PTY,link=/tmp/receiver,raw,echo=0 PTY,link=/tmp/feed,raw,echo=0 & pair=$!
until_true 5 test -e /tmp/feed
(while true; do for epoch in "$NMEA"/*; do cat "$epoch" > /tmp/feed; usleep 500000; done; done) & feeder=$!
gpsd -N -n -b /tmp/receiver > /tmp/gpsd 2>&1 & daemon=$!
until_true 10 nc -z 127.0.0.1 2947
(echo '?WATCH={"enable":true,"json":true};'; sleep 20) | nc 127.0.0.1 2947 > /tmp/fixes & client=$!
until_true 20 grep -q '"class":"TPV".*"mode":3' /tmp/fixes
fix=$(grep '"class":"TPV".*"mode":3' /tmp/fixes | head -n 1)
kill $client $daemon $feeder $pair
echo "$fix" | grep -q '"lat":10\.5' && echo "$fix" | grep -q '"lon":-40\.25'
check "gpsd serves a fix over TCP" $? "$(echo "$fix" | grep -oE '"(mode|time|lat|lon|speed)":[^,}]*' | tr '\n' ' ')"

# A program of the machine outside, brought in with its shared libraries.
[ "$(printf 'b\na\n' | /bench/bin/sort-from-outside | head -n 1)" = a ]
check "a program brought in runs" $? "$(/bench/bin/sort-from-outside --version | head -n 1)"

exit 7
