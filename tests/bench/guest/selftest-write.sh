# The self-test's second start: writes with and without flushing, then prints the line at which the power is cut.
# /dev/vda is an ext4 file system; /dev/vdb, vdc, vdd are bare, and differ in what their cache does at a cut.
# `sync FILE` is fsync(2) of that file alone.
mkfs.ext4 -q -F -b 4096 /dev/vda && mount -t ext4 /dev/vda /mnt || exit 1
yes flushed | head -c 100000 > /mnt/flushed
sync /mnt/flushed /mnt
yes unflushed | head -c 100000 > /mnt/unflushed
for disk in /dev/vdb /dev/vdc /dev/vdd; do
    yes first | head -c 262144 > /tmp/first
    dd if=/tmp/first of=$disk bs=262144 oflag=direct 2> /dev/null && sync $disk
    yes second | head -c 262144 > /tmp/second
    dd if=/tmp/second of=$disk bs=262144 seek=1 oflag=direct 2> /dev/null
done
echo "now the power goes"
sleep 60
exit 1
