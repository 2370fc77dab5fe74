# The model as an object file. In a project's Makefile:
#
#   include path/to/@prefix@.mk
#   firmware: main.o $(@PREFIX@_OBJECT)
#   main.o: CPPFLAGS += $(@PREFIX@_INCLUDE)
#
# CC, CPPFLAGS and CFLAGS are the project's. Several models go side by side, each with a prefix of its own.
@PREFIX@_DIRECTORY := $(dir $(lastword $(MAKEFILE_LIST)))
@PREFIX@_INCLUDE := -I$(@PREFIX@_DIRECTORY)
@PREFIX@_OBJECT := @prefix@.o

# The flags that the figures in @prefix@.h were measured with by clang, and those by which gcc comes to about its cycles, 5 % above at most; behind CFLAGS, so that they
# hold. Other flags may take half as many cycles again, and call memcpy and memset.
ifneq ($(findstring clang,$(shell $(CC) --version 2>&1)),)
@PREFIX@_FLAGS ?= @clang_flags@
else
@PREFIX@_FLAGS ?= @gcc_flags@
endif

# Functions and tables that the firmware does not call go away with the linker's --gc-sections.
$(@PREFIX@_OBJECT): $(@PREFIX@_DIRECTORY)@prefix@.c $(@PREFIX@_DIRECTORY)@prefix@.h
	$(CC) $(CPPFLAGS) $(CFLAGS) -std=c99 $(@PREFIX@_FLAGS) @shared_flags@ -c $< -o $@
