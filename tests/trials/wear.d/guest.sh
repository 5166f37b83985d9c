# One full bus recorded by three daemons, each onto a disk of its own with a sync interval of its own; what reached each disk, file
# system included, is the kernel's count. Lines are read by trial.py.
until_true() { # SECONDS COMMAND...: whether it came true in time
    tries=$(($1 * 10)); shift
    while ! "$@" > /dev/null 2>&1; do
        tries=$((tries - 1)); [ $tries -gt 0 ] || return 1
        usleep 100000
    done
}
heard() { [ "$(awk '$1 == "vcan0"' /proc/net/can/rcvlist_all | wc -l)" -ge 3 ]; }
# Documentation/block/stat.rst: field 7 is sectors of 512 bytes written, field 16 flushes done.
written() { awk '{ print $7 * 512, $16 }' "/sys/block/$1/stat"; }
ip link add vcan0 type vcan && ip link set vcan0 mtu 72 up
for pair in 1:vda 2:vdb 5:vdc; do
    s=${pair%%:*} disk=${pair##*:}
    mkfs.ext4 -q -b 4096 -E lazy_itable_init=0,lazy_journal_init=0 "/dev/$disk"
    mkdir -p "/data$s" && mount -t ext4 "/dev/$disk" "/data$s" || exit 1
    {
        printf 'vehicle = "heron"\ndata = "/data%s/DATA"\nmap = "/bench/map.toml"\nsync_every_s = %s\nfree_space_floor_mb = 0\n' "$s" "$s"
        printf '[[source]]\nkind = "socketcan"\ninterface = "vcan0"\n'
    } > "/tmp/$s.toml"
done
sync
for pair in 1:vda 2:vdb 5:vdc; do echo "FACT|${pair%%:*}|before|$(written "${pair##*:}")"; done
for s in 1 2 5; do drawdownd --config "/tmp/$s.toml" 2> "/tmp/$s.log" & echo $! > "/tmp/$s.pid"; done
until_true 30 heard || echo "FACT|1|heard|no"
taskset 1 drawdown playback /bench/full.log.zst --onto vcan0=vcan0 > /tmp/playback
sleep 1
for s in 1 2 5; do
    kill "$(cat "/tmp/$s.pid")"; wait "$(cat "/tmp/$s.pid")"
    echo "FACT|$s|exit|$?"
done
# What a stop left to be made is made by the next start.
for s in 1 2 5; do
    if [ -n "$(find "/data$s" -name journal)" ]; then
        drawdownd --config "/tmp/$s.toml" 2>> "/tmp/$s.log" & pid=$!
        until_true 60 [ -z "$(find "/data$s" -name journal)" ]; sleep 2; kill $pid; wait $pid
    fi
done
sync
for pair in 1:vda 2:vdb 5:vdc; do
    s=${pair%%:*}
    echo "FACT|$s|after|$(written "${pair##*:}")"
    echo "FACT|$s|parquet|$(find "/data$s/DATA" -name '*.parquet' -exec stat -c %s {} + | awk '{ n += $1 } END { print n }')"
    echo "FACT|$s|frames|$(sed -n 's/.*"frames": *\([0-9]*\).*/\1/p' "/data$s"/DATA/vehicle=heron/run=*/run.json | head -n 1)"
    sed "s/^/LOG|$s|/" "/tmp/$s.log"
done
exit 0
