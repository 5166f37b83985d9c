# Records onto the disk that is cut; says each run as it begins. MODE: format, record, long, recover. Lines are read by trial.py.
[ "$MODE" = format ] && mkfs.ext4 -q -b 4096 /dev/vda
mkdir -p /data && mount -t ext4 /dev/vda /data || { echo "MOUNT failed"; exit 1; }
[ "$MODE" = format ] && exit 0
vehicle=/data/DATA/vehicle=heron
runs() { ls $vehicle 2> /dev/null | sort; }
runs > /tmp/seen
echo "STARTED"
drawdownd --config /work/$MODE.toml 2> /tmp/daemon.log & daemon=$!
if [ "$MODE" = recover ]; then
    wait $daemon; status=$?
    sed 's/^/LOG /' /tmp/daemon.log
    exit $status
fi
while kill -0 $daemon 2> /dev/null; do
    runs > /tmp/now
    if ! cmp -s /tmp/seen /tmp/now; then
        for name in $(comm -13 /tmp/seen /tmp/now); do echo "BEGAN $name"; done
        cp /tmp/now /tmp/seen
    fi
    usleep 10000
done
sed 's/^/LOG /' /tmp/daemon.log
# The machine stays on until it is cut.
sleep 60
