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

# Functions and tables that the firmware does not call go away with the linker's --gc-sections.
$(@PREFIX@_OBJECT): $(@PREFIX@_DIRECTORY)@prefix@.c $(@PREFIX@_DIRECTORY)@prefix@.h
	$(CC) $(CPPFLAGS) $(CFLAGS) -std=c99 -Os -ffunction-sections -fdata-sections -c $< -o $@
