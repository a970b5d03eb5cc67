# lull: build, test, demo. `make help` lists the targets.
SHELL := /bin/bash
.DELETE_ON_ERROR:
MAKEFLAGS += --no-builtin-rules

# The same as in scripts/debian/changelog, which tells what changed.
VERSION := 0.2
CC ?= gcc
ifeq ($(origin CC),default)
CC := gcc
endif
# One build folder per flavour: B=build/asan-gcc, build/fuzz, ...
B ?= build
OPT ?= -O2 -g
SAN ?=
# What links a fuzz target: set by scripts/fuzz.sh only, since just clang has it.
FUZZ_LINK ?=
PKG_CONFIG ?= pkg-config
PREFIX ?= /usr/local
DESTDIR ?=
PKGS := libpcap sqlite3 inih jansson gsl zlib libzstd libsystemd libseccomp libgpiod libsocketcan libnl-3.0 libcap libiio libmicrohttpd libqrencode ncursesw uuid libxxhash
WARN := -Wall -Wextra -Wconversion -Wshadow -Wstrict-prototypes -Wmissing-prototypes
ifdef WERROR
WARN += -Werror
endif
CFLAGS ?=
# What the compiler gets besides, found out once and only if something is compiled (scripts/build-flags.sh).
learn = $(eval $(1) := $$(shell scripts/build-flags.sh $(2) $(CC)))$($(1))
# Hardening, as in Debian's own packages. Sanitizers and fuzzers watch by themselves, and fortified calls need an optimising compiler.
HARDEN ?= $(if $(SAN)$(FUZZ_LINK)$(filter -O0,$(OPT)),,yes)
hard_cflags = $(if $(HARDEN),$(call learn,hard_cflags,compile))
hard_ldflags = $(if $(HARDEN),$(call learn,hard_ldflags,link))
# Times and file sizes of 64 bits on 32-bit machines, too.
time_cflags = $(call learn,time_cflags,time)
ALL_CFLAGS = -std=c17 -D_GNU_SOURCE -DLULL_VERSION='"$(VERSION)"' $(OPT) $(hard_cflags) $(time_cflags) $(WARN) -Iinclude -Isrc \
	$(PKG_FLAGS) $(SAN) $(CFLAGS) $(library_time)
LINK = $(CC) $(ALL_CFLAGS) $(hard_ldflags) $(LDFLAGS)
# libnl keeps its headers in a folder of its own.
PKG_FLAGS := $(shell $(PKG_CONFIG) --cflags libnl-3.0 2>/dev/null)
# As needed: a program carries only those libraries that it uses.
LIBS = -Wl,--as-needed $(shell $(PKG_CONFIG) --libs $(PKGS)) -lm

core_src := $(wildcard src/core/*.c)
lib_src := $(wildcard src/source/*.c src/store/*.c src/report/*.c src/page/*.c)
cmd_src := $(wildcard src/cmd/*.c)
# Of the daemon all but its main can be linked by tests.
daemon_src := $(filter-out src/daemon/lulld.c,$(wildcard src/daemon/*.c))
core_obj := $(core_src:%.c=$(B)/%.o)
lib_obj := $(lib_src:%.c=$(B)/%.o)
cmd_obj := $(cmd_src:%.c=$(B)/%.o)
daemon_obj := $(daemon_src:%.c=$(B)/%.o)
# Beside test_*.c and fuzz_*.c, files of those folders are helpers that every one of them links.
unit_src := $(wildcard tests/unit/test_*.c)
unit_bin := $(unit_src:tests/unit/%.c=$(B)/tests/%)
# Whole nights, for the tests that change one and judge it.
whole_obj := $(patsubst %,$(B)/tests/nights/%.o,feed chunks image every_form)
unit_obj := $(patsubst %.c,$(B)/%.o,$(filter-out $(unit_src),$(wildcard tests/unit/*.c))) $(whole_obj)
fuzz_src := $(wildcard tests/fuzz/fuzz_*.c)
fuzz_bin := $(fuzz_src:tests/fuzz/%.c=$(B)/fuzz/%)
fuzz_obj := $(patsubst %.c,$(B)/%.o,$(filter-out $(fuzz_src),$(wildcard tests/fuzz/*.c))) $(whole_obj)
nights_src := $(wildcard tests/nights/*.c)
nights_obj := $(nights_src:%.c=$(B)/%.o)
nights_bin := $(if $(nights_src),$(B)/nights)
bench_src := $(wildcard tests/bench/*.c)
bench_bin := $(bench_src:tests/bench/%.c=$(B)/bench/%)
# What the tests on real SocketCAN use in their guests.
bus_src := $(wildcard tests/bus/*.c)
bus_bin := $(filter-out %/wide_xstate,$(bus_src:tests/bus/%.c=$(B)/bus/%)) $(B)/bus/wide_xstate.so
libs := $(B)/liblull.a $(B)/liblull-core.a
daemon_libs := $(B)/liblulld.a $(libs)

# Files that share structures with times in them with a library have that library's width of time_t (src/source/library_time.h).
all_src := $(core_src) $(lib_src) $(cmd_src) $(daemon_src) $(wildcard src/daemon/lulld.c tests/*/*.c)
includes = $(patsubst %.c,$(B)/%.o,$(shell grep -ls '^.include <$(1)>' $(all_src)))
$(call includes,source/libpcap.h): library_time = $(call learn,pcap_time,time-of-libpcap)
$(call includes,daemon/libgpiod.h): library_time = $(call learn,gpiod_time,time-of-libgpiod)

.PHONY: all
all: $(B)/lull $(B)/lulld ## build the command and the recorder: build/lull, build/lulld

# This file and the flags that are learned decide what an object is, too: the version, the hardening.
$(B)/%.o: %.c Makefile scripts/build-flags.sh
	@mkdir -p $(@D)
	$(CC) $(ALL_CFLAGS) -MMD -MP -c $< -o $@

# Files that stand in the program as they are: .incbin leaves no trace in the dependencies.
$(B)/src/report/html_files.o: src/report/html.css src/report/html.js
$(B)/src/page/assets.o: src/page/page.html src/page/page.css src/page/page.js src/page/pull.js src/page/icon.svg

$(B)/liblull-core.a: $(core_obj)
	@mkdir -p $(@D)
	@rm -f $@
	$(AR) rcs $@ $^
$(B)/liblull.a: $(lib_obj)
	@mkdir -p $(@D)
	@rm -f $@
	$(AR) rcs $@ $^

$(B)/liblulld.a: $(daemon_obj)
	@mkdir -p $(@D)
	@rm -f $@
	$(AR) rcs $@ $^

$(B)/lull: $(cmd_obj) $(libs)
	$(LINK) $^ $(LIBS) -o $@
$(B)/lulld: $(B)/src/daemon/lulld.o $(daemon_libs)
	$(LINK) $^ $(LIBS) -o $@

# A unit test is one file; it links the libraries.
$(B)/tests/%: $(B)/tests/unit/%.o $(unit_obj) $(daemon_libs)
	$(LINK) $^ $(LIBS) -lcmocka -o $@

$(B)/fuzz/%: $(B)/tests/fuzz/%.o $(fuzz_obj) $(daemon_libs)
	@mkdir -p $(@D)
	$(LINK) $(FUZZ_LINK) $^ $(LIBS) -o $@

$(B)/nights: $(nights_obj) $(libs)
	$(LINK) $^ $(LIBS) -o $@

$(B)/bench/%: $(B)/tests/bench/%.o $(libs)
	@mkdir -p $(@D)
	$(LINK) $^ $(LIBS) -o $@

$(B)/bus/%: $(B)/tests/bus/%.o $(libs)
	@mkdir -p $(@D)
	$(LINK) $^ $(LIBS) -o $@

$(B)/bus/wide_xstate.so: tests/bus/wide_xstate.c
	@mkdir -p $(@D)
	$(CC) $(filter-out $(SAN),$(ALL_CFLAGS)) -fPIC -shared $< -ldl -o $@

# Objects are kept, and so are those of tests and fuzz targets.
.SECONDARY:

.PHONY: demo
demo: ## install what is missing, invent a night, import it, print the verdict
	@scripts/setup.sh build
	@$(MAKE) --no-print-directory -s all
	@B=$(B) scripts/demo.sh

.PHONY: check
check: ## install what is missing, then run every test there is (but check-pi)
	@scripts/setup.sh build test pi
	@scripts/check.sh

.PHONY: unit
unit: $(unit_bin) ## unit tests of this build (B=, CC=, SAN= choose it)
	@set -e; for t in $(unit_bin); do $$t; done

# All that compiles in one flavour; fuzz targets as objects, since only clang can link them.
.PHONY: everything unit-build fuzz-build core-build nights-build bus-build
everything: all unit-build $(nights_bin) $(bench_bin) $(bus_bin) $(fuzz_src:%.c=$(B)/%.o)
unit-build: $(unit_bin)
fuzz-build: $(fuzz_bin)
core-build: $(core_obj)
nights-build: $(nights_bin)
bus-build: all $(bus_bin)

.PHONY: check-pure
check-pure: core-build ## fail if the core uses anything but memory, strings, mathematics
	@scripts/check-pure.sh $(core_obj)

.PHONY: check-no-transmit
check-no-transmit: all ## fail if code that opens CAN sockets could send on them
	@scripts/check-no-transmit.sh src $(B)/src $(B)/lull $(B)/lulld

.PHONY: check-hardening
check-hardening: all ## fail if a program lacks a part of the hardening that is asked for
	@scripts/check-hardening.sh $(B)/lull $(B)/lulld

.PHONY: check-bus check-night
check-bus: ## the programs on real SocketCAN, in guest machines
	@scripts/setup.sh build test
	@scripts/check.sh bus
check-night: ## the daemon through whole nights of virtual time
	@scripts/setup.sh build test
	@scripts/check.sh night-live

.PHONY: check-pi check-pi-quick
check-pi: ## unit, golden and command-line tests of arm64 and armhf; the package and a whole night in an emulated arm64 Debian
	@scripts/setup.sh build test pi
	@scripts/check.sh pi
check-pi-quick: ## of these: arm64, without what takes minutes (part of check)
	@scripts/setup.sh build test pi
	@scripts/check.sh pi-quick

.PHONY: asan
asan: ## unit tests under address and undefined-behaviour sanitizers, gcc and clang
	@scripts/check.sh unit-asan-gcc unit-asan-clang

.PHONY: fuzz
fuzz: ## every fuzz target for FUZZ_SECONDS (60) each, two at a time
	@scripts/check.sh fuzz

.PHONY: nights nights-bus nights-clamp nights-pairs
nights: nights-bus nights-clamp nights-pairs ## invented nights against their truth, SEEDS (40) of each scenario
nights-bus: $(nights_bin) ## of these, the bus alone
	$(B)/nights --seeds $(or $(SEEDS),40)
nights-clamp: $(nights_bin) ## of these, the bus beside the log of a clamp
	$(B)/nights --clamp --seeds $(or $(SEEDS),40)
nights-pairs: $(nights_bin) ## two nights of one car each, before and after
	$(B)/nights --pairs --seeds $(or $(SEEDS),40)

.PHONY: bench-live
bench-live: ## what the recorder costs a frame, and when quiet, beside tcpdump, in a guest
	@scripts/setup.sh build test
	@$(MAKE) --no-print-directory bus-build
	@B=$(B) tests/bus/run.sh --group bench

.PHONY: bench
bench: ## import speed on 20 million frames beside tcpdump and tshark
	@scripts/setup.sh build test
	@$(MAKE) --no-print-directory all $(bench_bin)
	@B=$(B) scripts/bench.sh

.PHONY: cover
cover: ## lines of each source file that the unit tests reach
	@scripts/cover.sh

.PHONY: golden golden-update
golden: all ## kept captures against their expected reports
	@LULL=$(B)/lull tests/golden/run.sh
	@B=$(B) tests/golden/readme.sh
golden-update: all ## write the expected reports anew (explain it in the commit)
	@LULL=$(B)/lull tests/golden/run.sh --update
	@B=$(B) tests/golden/readme.sh --update

.PHONY: lint
lint: ## cppcheck, clang-tidy, shellcheck, layout: all must be clean
	@scripts/lint.sh

.PHONY: format tidy
format: ## format C files in place
	clang-format -i $(wildcard src/*/*.[ch] include/lull/*.h tests/*/*.[ch])
tidy: ## clang-tidy alone
	@scripts/lint.sh tidy

.PHONY: man
man: all ## manual pages into build/man
	@command -v help2man >/dev/null || { echo "make man: needs help2man (apt install help2man)" >&2; exit 1; }
	@B=$(B) scripts/man.sh $(B)/man

# Units and the user go where systemd looks for those of this prefix; the configuration is only put there if there is none.
units := lulld.service lull-link@.service lull-view.service
UNITDIR ?= $(PREFIX)/lib/systemd/system
unit_dir = $(DESTDIR)$(UNITDIR)
SYSCONFDIR ?= /etc
# Manual pages are made from the help of programs that can be run here.
MAN_FROM ?= $(B)
.PHONY: install uninstall
install: all ## into PREFIX (/usr/local), DESTDIR respected; the recorder's service too
	install -D -m 755 $(B)/lull $(DESTDIR)$(PREFIX)/bin/lull
	install -D -m 755 $(B)/lulld $(DESTDIR)$(PREFIX)/sbin/lulld
	install -d $(DESTDIR)$(PREFIX)/share/lull/profiles $(unit_dir)
	$(if $(wildcard profiles/*),install -m 644 $(wildcard profiles/*) $(DESTDIR)$(PREFIX)/share/lull/profiles)
	set -e; for u in $(units); do sed 's|@bindir@|$(PREFIX)/bin|; s|@sbindir@|$(PREFIX)/sbin|' scripts/service/$$u > $(unit_dir)/$$u; \
		chmod 644 $(unit_dir)/$$u; done
	install -D -m 644 scripts/lull.bash-completion $(DESTDIR)$(PREFIX)/share/bash-completion/completions/lull
	ln -sf lull $(DESTDIR)$(PREFIX)/share/bash-completion/completions/lulld
	@if command -v help2man >/dev/null; then B=$(MAN_FROM) scripts/man.sh $(B)/man && set -e && for m in $(B)/man/*.[158]; do \
		install -D -m 644 $$m $(DESTDIR)$(PREFIX)/share/man/man$${m##*.}/$${m##*/}; done; \
		else echo "The manual pages were left out: they are made with help2man (apt install help2man)."; fi
	install -D -m 644 scripts/service/lull.sysusers $(DESTDIR)$(PREFIX)/lib/sysusers.d/lull.conf
	install -D -m 644 scripts/service/lull.conf $(DESTDIR)$(PREFIX)/share/lull/lull.conf
	[ -e $(DESTDIR)$(SYSCONFDIR)/lull/lull.conf ] || \
		install -D -m 644 scripts/service/lull.conf $(DESTDIR)$(SYSCONFDIR)/lull/lull.conf
	@echo "Next, as root: systemd-sysusers && systemctl daemon-reload; then see $(SYSCONFDIR)/lull/lull.conf"
uninstall: ## remove what install put there; configuration and recordings stay
	rm -f $(DESTDIR)$(PREFIX)/bin/lull $(DESTDIR)$(PREFIX)/sbin/lulld $(DESTDIR)$(PREFIX)/lib/sysusers.d/lull.conf
	rm -f $(units:%=$(unit_dir)/%)
	rm -f $(DESTDIR)$(PREFIX)/share/bash-completion/completions/lull{,d}
	rm -f $(DESTDIR)$(PREFIX)/share/man/man[158]/lull{.1,-*.[158],d.8,.conf.5}
	rm -rf $(DESTDIR)$(PREFIX)/share/lull

.PHONY: deb deb-host
ARCHS ?= amd64 arm64 armhf
foreign = $(filter-out $(shell dpkg --print-architecture),$(ARCHS))
deb: deb-host ## build/lull_VERSION_ARCH.deb for each of ARCHS: amd64 arm64 armhf
	@[ -z "$(foreign)" ] || scripts/setup.sh cross || echo "make deb: goes on with what is installed"
	@[ -z "$(foreign)" ] || VERSION=$(VERSION) MAN_FROM=$(B) scripts/cross.sh $(foreign)
deb-host: all ## the package of this machine's architecture alone
	@scripts/setup.sh package
	@B=$(B) VERSION=$(VERSION) scripts/deb.sh

.PHONY: dist
dist: ## build/lull-VERSION.tar.gz of the last commit
	@mkdir -p build
	git archive --format=tar.gz --prefix=lull-$(VERSION)/ -o build/lull-$(VERSION).tar.gz HEAD

.PHONY: clean
clean: ## remove all that was built, the demo and the bench capture too
	rm -rf build demo

.PHONY: help
help: ## this list
	@sed -n 's/^\([a-z-]*\):[^#]*## \(.*\)/\1\t\2/p' $(firstword $(MAKEFILE_LIST)) | \
		while IFS=$$'\t' read -r t h; do printf '  %-14s %s\n' "$$t" "$$h"; done

-include $(shell find $(B) -name '*.d' 2>/dev/null)
