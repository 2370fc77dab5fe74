# The model as a library target. In a project's CMakeLists.txt:
#
#   include(path/to/@prefix@.cmake)
#   target_link_libraries(firmware PRIVATE @prefix@)
#
# Several models go side by side, each with a prefix of its own.
add_library(@prefix@ STATIC ${CMAKE_CURRENT_LIST_DIR}/@prefix@.c)
target_include_directories(@prefix@ PUBLIC ${CMAKE_CURRENT_LIST_DIR})
set_target_properties(@prefix@ PROPERTIES C_STANDARD 99 C_STANDARD_REQUIRED ON C_EXTENSIONS OFF)
if(CMAKE_C_COMPILER_ID MATCHES "GNU|Clang")
  # Functions and tables that the firmware does not call go away with the linker's --gc-sections.
  target_compile_options(@prefix@ PRIVATE -Os -ffunction-sections -fdata-sections)
endif()
