# lull: build, test, demo. `make help` lists the targets.
SHELL := /bin/bash
.DELETE_ON_ERROR:
MAKEFLAGS += --no-builtin-rules

CC ?= gcc
ifeq ($(origin CC),default)
CC := gcc
endif
# One build folder per flavour: B=build/asan-gcc, build/fuzz, ...
B ?= build
OPT ?= -O2 -g
SAN ?=
PKGS := libpcap sqlite3 inih jansson gsl zlib libzstd
WARN := -Wall -Wextra -Wconversion -Wshadow -Wstrict-prototypes -Wmissing-prototypes
ifdef WERROR
WARN += -Werror
endif
CFLAGS ?=
ALL_CFLAGS = -std=c17 -D_GNU_SOURCE $(OPT) $(WARN) -Iinclude -Isrc $(SAN) $(CFLAGS)
LIBS = $(shell pkg-config --libs $(PKGS)) -lm

core_src := $(wildcard src/core/*.c)
lib_src := $(wildcard src/source/*.c src/store/*.c src/report/*.c)
cmd_src := $(wildcard src/cmd/*.c)
unit_src := $(wildcard tests/unit/test_*.c)
unit_bin := $(unit_src:tests/unit/%.c=$(B)/tests/%)
core_obj := $(core_src:%.c=$(B)/%.o)
lib_obj := $(lib_src:%.c=$(B)/%.o)
cmd_obj := $(cmd_src:%.c=$(B)/%.o)

.PHONY: all
all: $(B)/lull

$(B)/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(ALL_CFLAGS) -MMD -MP -c $< -o $@

$(B)/liblull-core.a: $(core_obj)
	@rm -f $@
	$(AR) rcs $@ $^
$(B)/liblull.a: $(lib_obj)
	@rm -f $@
	$(AR) rcs $@ $^

$(B)/lull: $(cmd_obj) $(B)/liblull.a $(B)/liblull-core.a
	$(CC) $(ALL_CFLAGS) $(LDFLAGS) $^ $(LIBS) -o $@

# A unit test is one file; it links the libraries.
$(B)/tests/%: $(B)/tests/unit/%.o $(B)/liblull.a $(B)/liblull-core.a
	$(CC) $(ALL_CFLAGS) $(LDFLAGS) $^ $(LIBS) -lcmocka -o $@

.PHONY: unit
unit: $(unit_bin)
	@set -e; for t in $(unit_bin); do $$t; done

.PHONY: clean
clean:
	rm -rf build demo

-include $(shell find $(B) -name '*.d' 2>/dev/null)
