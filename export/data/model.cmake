# The model as a library target. In a project's CMakeLists.txt:
#
#   include(path/to/@prefix@.cmake)
#   target_link_libraries(firmware PRIVATE @prefix@)
#
# Several models go side by side, each with a prefix of its own.
add_library(@prefix@ STATIC ${CMAKE_CURRENT_LIST_DIR}/@prefix@.c)
target_include_directories(@prefix@ PUBLIC ${CMAKE_CURRENT_LIST_DIR})
set_target_properties(@prefix@ PROPERTIES C_STANDARD 99 C_STANDARD_REQUIRED ON C_EXTENSIONS OFF)
# The flags that the figures in @prefix@.h were measured with by clang, and those by which gcc comes to about its cycles, 5 % above at most; behind those of the project,
# so that they hold. Other flags may take half as many cycles again, and call memcpy and memset.
if(CMAKE_C_COMPILER_ID MATCHES "Clang")
  separate_arguments(@PREFIX@_FLAGS UNIX_COMMAND "@clang_flags@")
elseif(CMAKE_C_COMPILER_ID STREQUAL "GNU")
  separate_arguments(@PREFIX@_FLAGS UNIX_COMMAND "@gcc_flags@")
endif()
if(CMAKE_C_COMPILER_ID MATCHES "GNU|Clang")
  # Functions and tables that the firmware does not call go away with the linker's --gc-sections.
  target_compile_options(@prefix@ PRIVATE ${@PREFIX@_FLAGS} @shared_flags@)
endif()
