# A fresh Debian 12 in a folder, for scripts that try an installation there (sourced). Needs root and debootstrap; packages come from
# where this machine's own apt takes them. Sets `folder`, which goes when the script ends, and `inside`, which runs a command in it.
folder=$(mktemp -d)
trap 'umount "$folder/proc" 2>/dev/null || true; rm -rf "$folder"' EXIT INT TERM
command -v debootstrap >/dev/null 2>&1 || { echo "debootstrap is missing: apt-get install debootstrap" >&2; exit 1; }
mirror=$(apt-get indextargets --format '$(REPO_URI) $(CODENAME) $(CREATED_BY)' | awk '$2 == "bookworm" && $3 == "Packages" { print $1; exit }')
[ -n "$mirror" ] || { echo "apt knows no source of Debian 12 (bookworm)" >&2; exit 1; }
debootstrap --variant=minbase bookworm "$folder" "$mirror" >/dev/null
# how this machine's apt fetches (a proxy, say), nothing else of its settings
for setting in $(grep -l '^ *Acquire' /etc/apt/apt.conf.d/* 2>/dev/null); do
    cp "$setting" "$folder/etc/apt/apt.conf.d/"
done
cp /etc/resolv.conf "$folder/etc/resolv.conf" 2>/dev/null || true
mkdir -p "$folder/root" "$folder/proc"
mount -t proc proc "$folder/proc" 2>/dev/null || true
inside() { chroot "$folder" env -i PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive "$@"; }
inside apt-get update -q >/dev/null

# The program as a user would try it there.
works() {
    inside lentic --version
    inside lentic demo /root/talverra --small --quiet
    inside lentic run /root/talverra/study.toml --out /root/run --quiet
    inside lentic verify /root/run
    test -s "$folder/root/run/report.html"
}
