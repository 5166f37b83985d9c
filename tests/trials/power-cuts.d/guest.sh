# Records onto the disk that is cut; says each run as it begins. MODE: format, record, long, recover. Lines are read by trial.py.
[ "$MODE" = format ] && mkfs.ext4 -q -b 4096 /dev/vda
mkdir -p /data && mount -t ext4 /dev/vda /data || { echo "MOUNT failed"; exit 1; }
[ "$MODE" = format ] && exit 0
vehicle=/data/DATA/vehicle=heron
runs() { ls $vehicle 2> /dev/null | sort; }
seen=" $(runs | tr '\n' ' ')"
echo "STARTED"
drawdownd --config /bench/$MODE.toml 2> /tmp/daemon.log & daemon=$!
if [ "$MODE" = recover ]; then
    # A journal's folder goes when its run is finished.
    tries=6000
    while [ -n "$(find /data/DATA -name journal)" ] && [ $tries -gt 0 ]; do tries=$((tries - 1)); usleep 100000; done
    usleep 500000
    kill $daemon; wait $daemon; status=$?
    sed 's/^/LOG /' /tmp/daemon.log
    exit $status
fi
gone=" "
while kill -0 $daemon 2> /dev/null; do
    # A run of which nothing was kept is removed, and the next may take its name.
    for name in $(sed -n 's/.*\(run=[^:]*\): was cut before.*/\1/p' /tmp/daemon.log); do
        case "$gone" in *" $name "*) ;; *) gone="$gone$name "; seen="${seen%% $name *} ${seen#* $name }" ;; esac
    done
    for name in $(runs); do
        case "$seen" in *" $name "*) ;; *) echo "BEGAN $name"; seen="$seen$name " ;; esac
    done
    usleep 10000
done
sed 's/^/LOG /' /tmp/daemon.log
# The machine stays on until it is cut.
sleep 60
