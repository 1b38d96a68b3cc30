#!/bin/sh
# Starts a real Slurm of one node, this machine, under the folder DIR, as root. Needs Debian's slurm-wlm and munge.
#   one-node.sh DIR        prints the path of its configuration, for SLURM_CONF
#   one-node.sh DIR stop   ends it
set -eu
dir=$1
if [ "${2:-}" = stop ]; then
    for file in "$dir"/run/*.pid; do
        [ ! -s "$file" ] || kill "$(cat "$file")" 2>/dev/null || true
    done
    exit 0
fi
host=$(hostname -s)
# a port of its own, so that another Slurm on the machine is left alone
port=$((20000 + $$ % 20000))
memory=$(awk '/^MemTotal:/ { print int($2 / 1024 * 0.8) }' /proc/meminfo)
mkdir -p "$dir/state" "$dir/spool" "$dir/log" "$dir/run" /run/munge
chown munge: /run/munge
# messages between the parts of Slurm are signed by munge; one daemon serves the machine
munge -n 2>/dev/null | unmunge >/dev/null 2>&1 || runuser -u munge -- /usr/sbin/munged
cat > "$dir/slurm.conf" <<CONF
ClusterName=one
SlurmctldHost=$host(127.0.0.1)
SlurmctldPort=$port
SlurmdPort=$((port + 1))
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
StateSaveLocation=$dir/state
SlurmdSpoolDir=$dir/spool
SlurmctldPidFile=$dir/run/slurmctld.pid
SlurmdPidFile=$dir/run/slurmd.pid
SlurmctldLogFile=$dir/log/slurmctld.log
SlurmdLogFile=$dir/log/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
SchedulerParameters=sched_interval=2,bf_interval=2
ReturnToService=2
MpiDefault=none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
NodeName=$host NodeAddr=127.0.0.1 CPUs=$(nproc) RealMemory=$memory State=UNKNOWN
PartitionName=all Nodes=$host Default=YES MaxTime=INFINITE State=UP
CONF
SLURM_CONF=$dir/slurm.conf
export SLURM_CONF
slurmctld -f "$SLURM_CONF"
sleep 2
slurmd -f "$SLURM_CONF"
tries=30
until sinfo -h -o %t 2>/dev/null | grep -q idle; do
    tries=$((tries - 1))
    if [ "$tries" = 0 ]; then
        echo "the node does not become idle" >&2
        tail -n 20 "$dir"/log/*.log >&2
        exit 1
    fi
    sleep 1
done
echo "$SLURM_CONF"
