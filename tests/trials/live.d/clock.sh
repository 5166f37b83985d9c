# The recording is played while the wall clock is set forth and back by an hour. FACT lines are read by trial.py.
. /bench/common.sh

can vcan0
daemon vcan0
candump -L vcan0 > /tmp/captured.log & witness=$!
usleep 500000
echo "FACT|start|$(date +%s)"
drawdown playback /bench/drive.log.zst --onto vcan0 > /tmp/playback & player=$!
third=$((SECONDS_LONG * 1000000 / 3))
usleep $third; date -s "@$(($(date +%s) + 3600))" > /dev/null
usleep $third; date -s "@$(($(date +%s) - 3600))" > /dev/null
wait $player; echo "FACT|playback's exit|$?"
sed 's/^/FACT|playback|/' /tmp/playback
usleep 500000
kill $witness
stop
exit 0
