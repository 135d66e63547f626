"""Asks a running service for its public pages at a set rate, in an open loop: latency counts from the moment a request was due,
so that a slow answer cannot hide those behind it. Standard library only.

    python3 tests/evidence/load.py http://127.0.0.1:8080 [--rate 500] [--seconds 25] [--pid PID]
"""

import argparse
import asyncio
import random
import re
import time
import urllib.parse
import urllib.request


async def ask(host, port, path, idle):
    """One GET over a kept connection, or over a new one. Returns the status."""
    reader, writer = idle.pop() if idle else await asyncio.open_connection(host, port)
    request = f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\nAccept-Encoding: gzip\r\n\r\n"
    writer.write(request.encode())
    head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").lower()
    if "transfer-encoding: chunked" in head:
        while size := int((await reader.readline()).split(b";")[0], 16):
            await reader.readexactly(size + 2)
        await reader.readline()
    elif length := re.search(r"content-length: (\d+)", head):
        await reader.readexactly(int(length[1]))
    if "connection: close" in head or head.startswith("http/1.0"):
        writer.close()
    else:
        idle.append((reader, writer))
    return int(head.split()[1])


def paths_of(base):
    """What visitors ask for: every page of the list, for every region that the first page names."""
    home = urllib.request.urlopen(base + "/").read().decode()
    regions = sorted(set(re.findall(r'href="/region/([^"/]+)"', home)))
    paths = ["/", "/es/", "/guide", "/es/guide", "/sign-up", "/find?zip=00101"]
    for region in regions:
        below = f"/region/{region}"
        paths += [below, "/es" + below, below + "/chart.svg?w=340", below + "/badge.svg", below + "/outlook.json"]
    return regions, paths


async def run(args):
    address = urllib.parse.urlsplit(args.base)
    regions, paths = paths_of(args.base)
    assert regions, "the first page names no region"
    draws, idle, latencies, faults = random.Random(1), [], [], []

    async def one(path, due):
        try:
            status = await asyncio.wait_for(ask(address.hostname, address.port, path, idle), 30)
            if status >= 400:
                faults.append(f"{status} {path}")
        except (OSError, EOFError, TimeoutError) as why:
            faults.append(f"{why!r} {path}")
        latencies.append(time.monotonic() - due)

    start, asked = time.monotonic() + 0.2, []
    for number in range(args.rate * args.seconds):
        due = start + number / args.rate
        await asyncio.sleep(max(0.0, due - time.monotonic()))
        asked.append(asyncio.create_task(one(draws.choice(paths), due)))
    await asyncio.gather(*asked)

    latencies.sort()
    of = lambda share: f"{latencies[min(len(latencies) - 1, int(share * len(latencies)))] * 1000:.1f} ms"
    print(f"{len(latencies)} requests over {len(paths)} addresses of {len(regions)} regions, {len(faults)} faults")
    print(f"p50 {of(0.5)}, p99 {of(0.99)}, p99.9 {of(0.999)}")
    if args.pid:
        status = open(f"/proc/{args.pid}/status").read()
        print("resident:", re.search(r"VmRSS:\s+(.*)", status)[1])
    for fault in sorted(set(faults))[:10]:
        print(fault)


parser = argparse.ArgumentParser()
parser.add_argument("base")
parser.add_argument("--rate", type=int, default=500)
parser.add_argument("--seconds", type=int, default=25)
parser.add_argument("--pid", type=int)
asyncio.run(run(parser.parse_args()))
