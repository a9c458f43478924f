# What is installed for people who write driver programs in C++: headers, one static library and find_package(Nightwell).
# `cmake --install BUILD --component driver` installs nothing else.
include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

# The line engine, the codecs' helpers, the driver's side of the protocol and asio's compiled half, as one library.
add_library(nightwell_driver STATIC $<TARGET_OBJECTS:nightwell_asio> $<TARGET_OBJECTS:nightwell_codec>
  $<TARGET_OBJECTS:nightwell_wire_log> $<TARGET_OBJECTS:nightwell_instrument> $<TARGET_OBJECTS:nightwell_driver_side>)
set_target_properties(nightwell_driver PROPERTIES EXPORT_NAME driver LINKER_LANGUAGE CXX)
target_compile_features(nightwell_driver PUBLIC cxx_std_20)
target_compile_definitions(nightwell_driver INTERFACE ${asio_definitions})  # as the library was compiled
target_link_libraries(nightwell_driver PUBLIC Threads::Threads)

install(TARGETS nightwell_driver EXPORT NightwellTargets ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR} COMPONENT driver
  INCLUDES DESTINATION ${CMAKE_INSTALL_INCLUDEDIR})
foreach(folder "" instrument driver)
  file(GLOB headers CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/include/nightwell/${folder}/*.hpp)
  list(FILTER headers EXCLUDE REGEX "/(folders|driver_program)\\.hpp$")  # the programs' own
  install(FILES ${headers} DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/nightwell/${folder} COMPONENT driver)
endforeach()

set(package_folder ${CMAKE_INSTALL_LIBDIR}/cmake/Nightwell)
configure_package_config_file(${CMAKE_SOURCE_DIR}/cmake/NightwellConfig.cmake.in
  ${CMAKE_BINARY_DIR}/NightwellConfig.cmake INSTALL_DESTINATION ${package_folder})
write_basic_package_version_file(${CMAKE_BINARY_DIR}/NightwellConfigVersion.cmake COMPATIBILITY SameMinorVersion)
install(FILES ${CMAKE_BINARY_DIR}/NightwellConfig.cmake ${CMAKE_BINARY_DIR}/NightwellConfigVersion.cmake
  DESTINATION ${package_folder} COMPONENT driver)
install(EXPORT NightwellTargets NAMESPACE Nightwell:: DESTINATION ${package_folder} COMPONENT driver)
