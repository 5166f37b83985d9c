# The self-test's third start: what the ext4 file system holds after the cut. Prints one CHECK line a check.
mount -t ext4 /dev/vda /mnt; mounted=$?
word() { if [ "$1" = 0 ]; then echo PASS; else echo FAIL; fi; }
echo "CHECK|ext4 mounts after the cut|$(word $mounted)|journal replayed: $(dmesg | grep -c 'recovery complete')"
[ "$(yes flushed | head -c 100000 | sha256sum)" = "$(sha256sum < /mnt/flushed)" ]
echo "CHECK|a file flushed before the cut is whole|$(word $?)|$(wc -c < /mnt/flushed) bytes"
size=$(wc -c 2> /dev/null < /mnt/unflushed || echo none)
[ "$size" != 100000 ]
echo "CHECK|a file not flushed before the cut is not|$(word $?)|${size} bytes of 100000"
umount /mnt
e2fsck -f -n /dev/vda > /tmp/fsck 2>&1
echo "CHECK|ext4 is sound after the cut|$(word $?)|e2fsck -f -n"
