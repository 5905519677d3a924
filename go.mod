module airwarrant

go 1.26.0

toolchain go1.27.3
