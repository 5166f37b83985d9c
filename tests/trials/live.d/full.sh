# Three full buses at once. Says what the daemon took of the processor and of memory. FACT lines are read by trial.py.
. /bench/common.sh

for n in 0 1 2; do can vcan$n; done
daemon vcan0 vcan1 vcan2
before=$(cpu_ticks $daemon); began=$(uptime_cs)
# On one processor: a sender that changes processors is overtaken by its own frames in the kernel's queues.
taskset 1 drawdown playback /bench/full.log.zst --onto can0=vcan0 --onto can1=vcan1 --onto can2=vcan2 > /tmp/playback
echo "FACT|playback's exit|$?"
after=$(cpu_ticks $daemon); ended=$(uptime_cs)
sed 's/^/FACT|playback|/' /tmp/playback
usleep 500000
echo "FACT|ticks|$((after - before))"
echo "FACT|centiseconds|$((ended - began))"
echo "FACT|ticks a second|100"
echo "FACT|rss_kb|$(awk '/VmHWM/ { print $2 }' /proc/$daemon/status)"
drawdown status --socket /run/drawdown | sed 's/^/LOG|/'
stop
exit 0
