# The recording is played onto vcan0 while vcan9, read by the same daemon, is taken down, up, deleted and made again. Then a
# physical kind of interface (slcan at a pseudo-terminal) is offered. FACT lines are read by trial.py.
. /bench/common.sh

can vcan0; can vcan9
daemon vcan0 vcan9
# A witness: the same frames with the kernel's stamps as they are.
candump -L vcan0 > /tmp/captured.log & witness=$!
usleep 500000
drawdown playback /bench/drive.log.zst --onto vcan0 > /tmp/playback & player=$!
usleep 2000000
three() { for n in 1 2 3; do cansend vcan9 "6A$1#0$n"; done; }

three 1; usleep 300000
ip link set vcan9 down
until_true 5 waiting 'vcan9 is down' && echo "FACT|down is said|yes"
ip link set vcan9 up
until_true 10 heard vcan9; three 2; usleep 300000
ip link del vcan9
until_true 5 waiting 'no interface vcan9' && echo "FACT|gone is said|yes"
can vcan9
until_true 10 heard vcan9; three 3; usleep 300000
# Deleted and made again between two looks: the number is another one.
ip link del vcan9; can vcan9
usleep 400000
until_true 10 heard vcan9; three 4

# Error frames, made up: virtual interfaces have none of their own (linux/can/error.h: passive, bus-off, restarted).
for frame in 20000004#0020000000000000 20000040#0000000000000000 20000100#0000000000000000; do cansend vcan9 $frame; done

wait $player; echo "FACT|playback's exit|$?"
sed 's/^/FACT|playback|/' /tmp/playback
usleep 500000
kill $witness
stop

# What is not virtual is not written to, and not read unless it only listens.
slcanpty /dev/ptmx vcan0 > /dev/null & adapter=$!
until_true 5 test -e /dev/pts/0
slcand -F -o -s6 /dev/pts/0 slcan0 > /tmp/slcand 2>&1 & driver=$!
until_true 5 ip link show slcan0
ip link set slcan0 up
echo "FACT|slcan's kind|$(ip -details link show slcan0 | tr '\n' ' ')"
drawdown playback /bench/drive.log.zst --onto slcan0 2> /tmp/refused
echo "FACT|playback onto slcan|$? $(cat /tmp/refused)"
printf 'vehicle = "heron"\ndata = "/tmp/OTHER"\nmap = "/bench/demo.toml"\n[[source]]\nkind = "socketcan"\ninterface = "slcan0"\n' \
    > /tmp/config.toml
drawdownd --config /tmp/config.toml 2> /tmp/daemon.log & daemon=$!
until_true 5 waiting slcan0
usleep 300000
heard slcan0 && echo "FACT|slcan is read|yes"
stop
kill $adapter $driver

# The daemon is held for longer than the kernel has room: what it lost must be what it says.
can vcan5
sed -e 's/slcan0/vcan5/' -e 's/OTHER/DROPS/' -i /tmp/config.toml
drawdownd --config /tmp/config.toml 2> /tmp/daemon.log & daemon=$!
until_true 20 heard vcan5
kill -STOP $daemon
cangen vcan5 -g 0 -n 30000 -I 123 -L 8 -D i; echo "FACT|cangen's exit|$?"
kill -CONT $daemon
# The kernel tells its count with the next frame that it has room for.
usleep 3000000; cansend vcan5 124#00; usleep 1000000
stop
exit 0
