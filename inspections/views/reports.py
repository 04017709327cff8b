from django.http import HttpResponse


def mine(request, **_):
    return HttpResponse("being built")


def report(request, **_):
    return HttpResponse("being built")


def quarantine(request, **_):
    return HttpResponse("being built")


def receipt(request, **_):
    return HttpResponse("being built")


def add_photo(request, **_):
    return HttpResponse("being built")
