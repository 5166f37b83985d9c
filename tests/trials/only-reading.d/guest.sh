# In the guest: ECUs on the kernel's ISO-TP, a bus that talks, the daemon that asks, and a capture of all of it.
# The marks are frames of their own, so that the capture alone tells what happened when. Judges nothing.
set -e
cd /trial
ip link add vcan0 type vcan
ip link set vcan0 up
candump -L vcan0,0:0,#FFFFFFFF > capture.log &
capture=$!
./ecu vcan0 ecus.txt answers.txt 2> ecu-said.txt &
talk() { cangen vcan0 -g 50 -I 2B0 -L 8 -D i & talker=$!; }
talk
sleep 0.5
cansend vcan0 100#01                            # the daemon starts
./drawdownd --config car.toml > daemon-said.txt 2>&1 &
daemon=$!
sleep "$ASKING"
cansend vcan0 20000008#0000000000000000         # an error frame: 2 s of silence
sleep 5
kill "$talker"; wait "$talker" || true          # the bus falls asleep
cansend vcan0 100#02
sleep 8
cansend vcan0 100#03                            # and wakes
talk
sleep 5
cansend vcan0 7E3#03229009CCCCCCCC              # another tester asks by 7E3
sleep 4
cansend vcan0 20000004#0010000000000000         # error-passive: nothing more in this run
sleep 5
kill -TERM "$daemon"
status=0
wait "$daemon" || status=$?
cansend vcan0 100#04                            # again, and for the vehicle number
./drawdownd --config number-car.toml >> daemon-said.txt 2>&1 &
daemon=$!
sleep 8
kill -TERM "$daemon"
wait "$daemon" || status=$?
sleep 0.3
kill "$talker" "$capture"
echo "daemon: exit status $status, $(wc -l < capture.log) frames captured"
exit "$status"
