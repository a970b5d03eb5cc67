# What a live view must bear: no leave, a stranger's name for it, cookies of others, wrong methods, 100 kB of headers, 1,000 connections, paths that climb, clients that read slowly.
# usage: attack.py LINK; prints "NAME RESULT" lines
import http.client, json, socket, sys, time
from urllib.parse import urlparse

link = urlparse(sys.argv[1])
host = (link.hostname, link.port)


def ask(method, path, headers={}, body=None):
    c = http.client.HTTPConnection(*host, timeout=20)
    try:
        c.request(method, path, body=body, headers=headers)
        r = c.getresponse()
        return r.status, r.read(), r
    finally:
        c.close()


print("no-leave", ask("GET", "/status")[0])
print("wrong-token", ask("GET", "/?t=" + "0" * 32)[0])
status, _, r = ask("GET", link.path + "?" + link.query)
cookie = {"Cookie": r.getheader("Set-Cookie").split(";")[0]}
print("leave", status)
print("twice", ask("GET", link.path + "?" + link.query)[0])
here = f"{socket.gethostname()}.local:{link.port}"
print("own-names", *(ask("GET", "/status", dict(cookie, Host=h))[0] for h in (f"localhost:{link.port}", f"[::1]:{link.port}", here)))
# DNS rebinding: a stranger's name points here, so its page is of this origin, and the browser sends it the cookie too
for name, h in ("rebound", f"evil.example:{link.port}"), ("rebound-usual-port", "evil.example"), ("other-port", "127.0.0.1:1"), ("no-name", ""):
    print(name, ask("GET", "/status", dict(cookie, Host=h))[0], ask("POST", "/mark", dict(cookie, Host=h), b"evil")[0])
with socket.create_connection(host) as s:
    s.send(f"GET /status HTTP/1.0\r\nCookie: {cookie['Cookie']}\r\n\r\n".encode())
    print("nameless", s.recv(100).split()[1].decode())
# what other services on this host have set
others = "lull=x; sid={\"a\":1}; \"; =; " + cookie["Cookie"].split("=")[0] + "=old; " + cookie["Cookie"] + "; big=" + "x" * 9000
print("cookies-of-others", ask("GET", "/status", {"Cookie": others})[0])
print("method", ask("PUT", "/", cookie, b"x")[0])
print("mark-without-token", ask("POST", "/mark", cookie, b"morning")[0])
print("climbs", ask("GET", "/../../../etc/passwd", cookie)[0], ask("GET", "/%2e%2e/etc/passwd", cookie)[0])
try:
    print("big-head", ask("GET", "/", dict(cookie, X="a" * 100000))[0])
except OSError:
    print("big-head", 431)  # closed before all of it was taken
many = []
for _ in range(1000):
    s = socket.socket()
    s.settimeout(5)
    try:
        s.connect(host)
    except OSError:
        pass
    many.append(s)
for s in many:
    s.close()
print("after-1000", ask("GET", "/", cookie)[0])
# opens the news and never reads
slow = []
for _ in range(4):
    s = socket.socket()
    s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
    s.connect(host)
    s.send(f"GET /live HTTP/1.1\r\nHost: {link.netloc}\r\nCookie: {cookie['Cookie']}\r\n\r\n".encode())
    slow.append(s)
# half a request, and no more
half = socket.socket()
half.connect(host)
half.send(b"GET / HTTP/1.1\r\nHost:")
time.sleep(20)
half.settimeout(5)
try:
    while half.recv(100):
        pass
    print("half-a-request", "dropped")
except socket.timeout:
    print("half-a-request", "kept")
except OSError:
    print("half-a-request", "dropped")
print("after-slow", ask("GET", "/status", cookie)[0])
c = http.client.HTTPConnection(*host, timeout=20)
c.request("GET", "/session", headers=cookie)
token = json.loads(c.getresponse().read())["token"]
print("mark", ask("POST", "/mark", dict(cookie, **{"X-Lull-Token": token}), b"morning")[0])
print("report", ask("GET", "/report", cookie)[0])
